"""What a check source, a jig or a control unit did, read from its movement in steps of thirty days, as known at any time.

Only whole steps count, taken one after the other, so a finding is never dated in hindsight. What is found is signalled
with the numbers of then; the reasons give the numbers of now, which later steps make better.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analytics.advice.line_core import WITHIN_STEP, largest_step, line_fit, stepped_rather
from analytics.baseline.rows import Floats, Ints
from analytics.baseline.shared import BIN_DAYS
from analytics.counting.nuclides import half_life_days
from analytics.results import Rule
from analytics.words import day, pct, signed_pct

SURE_Z = 5.0
LEAST_SLOPE_PER_YEAR = 0.03
LEAST_LEVEL = 0.03
STEEP_PER_YEAR = 0.3
LEAST_SPAN_DAYS = 120.0
# Standard errors beyond which a certificate is doubted: by chance one good source in a thousand (at three, one in 370).
SURE_CERTIFICATE = 3.3
EARLY_DAYS = 150.0  # in which a new source's activity shows
YEAR_DAYS = 365.2422
SAME_FACTOR = "for one nuclide activity and reference date are the same constant factor"
CENTURY_DAYS = 100 * YEAR_DAYS
CHECK_NUCLIDES = ("Co-57", "Gd-153", "Ba-133", "Cs-137", "Am-241", "I-129", "I-125")  # used in check sources (trade)


@dataclass(frozen=True)
class Moved:
    """Movement of one device, one value a step of thirty days."""

    at: Floats  # middle of the readings, days
    ends: Floats
    value: Floats  # natural log
    sd: Floats
    probes: Ints

    def part(self, begin: int, end: int) -> Moved:
        """The steps from ``begin`` up to, not including, ``end``."""
        some = slice(begin, end)
        return Moved(self.at[some], self.ends[some], self.value[some], self.sd[some], self.probes[some])

    def __len__(self) -> int:
        """Steps."""
        return len(self.at)


@dataclass(frozen=True)
class Finding:
    """What a device was found to do, and when that was first sure."""

    rule: Rule
    signalled_days: float
    low: bool
    sentence: str
    begin: int = 0  # steps it rests on
    end: int = 0


@dataclass(frozen=True)
class Inherited:
    """Offset that later sources show only because references were formed on a source that decays otherwise than stated."""

    known_days: float  # when that was first sure
    offset: float  # natural log
    sd: float


@dataclass(frozen=True)
class Home:
    """The source on which references were formed, as it was known when the next one came into use."""

    name: str
    offset: float  # natural log that the next one should show
    sd: float


def inherited_from(part: Moved, known_days: float, age_days: float) -> Inherited:
    """What a source with this movement handed on when the references were formed ``age_days`` after its reference date.

    It had lost slope · age against its certificate by then, and what is in the references shows on the next source, turned.

    >>> falls = Moved(np.arange(5) * 30.0, np.arange(1, 6) * 30.0, -0.0003 * np.arange(5) * 30.0, np.full(5, 0.001), np.full(5, 9))
    >>> round(inherited_from(falls, 150.0, 200.0).offset, 3)
    0.06
    """
    _, slope, _, slope_sd = line_fit(part.at, part.value, part.sd)
    return Inherited(known_days, -slope * age_days, abs(age_days) * slope_sd)


@dataclass(frozen=True)
class Step:
    """One step: day, natural log size, standard error."""

    day: float
    size: float
    error: float


def step_fit(moved: Moved) -> Step | None:
    """The step that accounts best for the values, the one in which it happened being a mixture of before and after.

    Its share of after gives the day. None with fewer than one value before and one after.
    """
    w, v = 1.0 / (moved.sd**2 + WITHIN_STEP**2), moved.value
    best: tuple[float, Step] | None = None
    for k in range(1, len(v) - 1):
        before, after = (float((w[p] * v[p]).sum() / w[p].sum()) for p in (slice(None, k), slice(k + 1, None)))
        mixed = float(np.clip(v[k], min(before, after), max(before, after)))
        model = np.where(np.arange(len(v)) < k, before, after)
        model[k] = mixed
        misfit = float((w * (v - model) ** 2).sum())
        share = (mixed - before) / (after - before) if after != before else 0.5
        error = float(np.sqrt(1.0 / w[:k].sum() + 1.0 / w[k + 1 :].sum()))
        if best is None or misfit < best[0]:
            best = misfit, Step(float(moved.ends[k] - BIN_DAYS * share), after - before, error)
    return None if best is None else best[1]


def source_findings(
    name: str,
    at: Floats,
    ends: Floats,
    value: Floats,
    sd: Floats,
    probes: Ints,
    half_life: float,
    certificate_sd: float | None,
    now: float,
    inherited: Inherited | None = None,
    home: Home | None = None,
) -> list[Finding]:
    """Slope, constant factor and steps of a source, each dated to the end of the thirty days that made it sure.

    certificate_sd: k=1 of the log activity, None where the source's offset is zero by construction (references were formed
    on it) or not stated. inherited: from the source on which they were formed, if anything. home: that source.
    """
    moved = Moved(at, ends, value, sd, probes)
    found = movement_findings("source", moved, now, half_life)
    level = None if certificate_sd is None else certificate_finding(name, moved, half_life, certificate_sd, now, inherited, home)
    if level is not None:
        found.append(level)
    return sorted(found, key=lambda one: one.signalled_days)


def movement_findings(kind: str, moved: Moved, now: float, half_life: float = np.nan) -> list[Finding]:
    """Slope (once) and steps of a device; after a step the search begins anew behind it."""
    found: list[Finding] = []
    begin = 0
    whole = int(np.searchsorted(moved.ends, now, side="right"))
    for k in range(3, whole + 1):
        part = moved.part(begin, k)
        if _is_slope(part):
            if not any(one.rule == "drift" for one in found):
                one = Finding("drift", float(part.ends[-1]), line_fit(part.at, part.value, part.sd)[1] < 0, "", begin, k)
                found.append(replace(one, sentence=words(kind, one, moved, half_life)))
            continue
        split = _split(part)
        if split is not None and not any(one.rule == "drift" for one in found):
            jump = float(part.value[split:].mean() - part.value[:split].mean())
            one = Finding("change_point", float(part.ends[-1]), jump < 0, "", begin, k)
            found.append(replace(one, sentence=words(kind, one, moved, half_life)))
            begin += split + 1
    return found


def words(kind: str, one: Finding, moved: Moved, half_life: float = np.nan) -> str:
    """One sentence for a slope or a step, from the steps that the finding rests on."""
    part = moved.part(one.begin, one.end)
    word = "control unit" if kind == "readout" else kind
    if one.rule == "drift":
        return _slope_words(word, part, half_life)
    step = step_fit(part)
    if step is None:
        return ""
    by, about = signed_pct(100 * np.expm1(step.size)), day(step.day)
    sure = f"(standard error {pct(100 * step.error)})"
    if kind == "source":
        return (
            f"All probes on it stepped together by {by} about {about} {sure}: verify the source, its jig and its place in it; "
            "no probe is blamed."
        )
    return (
        f"Probes read with this {word} stepped together by {by} about {about} {sure}, others on the same sources did not: "
        f"verify the {word}; no probe is blamed."
    )


def _slope_words(word: str, part: Moved, half_life: float) -> str:
    _, slope, _, slope_sd = line_fit(part.at, part.value, part.sd)
    # Over a year a wrong short half-life makes numbers that nobody can read.
    span, unit = (YEAR_DAYS, "year") if abs(slope) * YEAR_DAYS < 2.0 else (1.0, "day")
    yearly = f"{signed_pct(100 * np.expm1(slope * span))} a {unit}"
    sure = f"(standard error {pct(100 * slope_sd * span)})"
    if word != "source":
        return (
            f"Probes read with this {word} move together by {yearly} {sure}, others on the same sources do not: verify the {word}; "
            "no probe is blamed."
        )
    return (
        f"The {int(np.median(part.probes))} probes read on it move together by {yearly} beyond its stated decay {sure}: "
        f"{nuclide_words(half_life, slope, slope_sd)}. Verify nuclide, purity and half-life; no probe is blamed."
    )


def nuclide_words(half_life: float, slope: float, slope_sd: float) -> str:
    """What half-life the slope (per day, beyond the stated decay) stands for, and which nuclide has it.

    >>> nuclide_words(271.74, 1e-4, 1e-6)
    'its half-life acts like 283 d instead of 271.74 d'
    >>> nuclide_words(240.4, -3.33e-4, 2e-5)
    'its half-life acts like 216 d instead of 240.40 d'
    >>> nuclide_words(11022.6, -2.4879e-3, 2e-5)
    'its half-life acts like 272 d instead of 11022.60 d, as that of Co-57 would (271.74 d)'
    >>> nuclide_words(5.7343e9, -2.55e-3, 2e-5)
    'its half-life acts like 272 d instead of 15,700,000 years, as that of Co-57 would (271.74 d)'
    """
    stated = np.log(2.0) / half_life
    constant = stated - slope
    alike = []
    for name, days in zip(CHECK_NUCLIDES, half_life_days(CHECK_NUCLIDES), strict=True):
        other = abs(np.log(days / half_life)) > 0.02
        if other and abs(np.log(2.0) / days - constant) < 3.0 * slope_sd and abs(slope) > 10.0 * slope_sd:
            alike.append(f"{name} would ({days:.6g} d)")
    alike = alike if len(alike) <= 2 else []  # long-lived ones cannot be told from each other
    as_of = f", as that of {' or '.join(alike)}" if alike else ""
    stated_words = _half_life_words(half_life)
    if constant <= 2.0 * slope_sd:
        return f"it hardly decays, against a half-life of {stated_words}{as_of}"
    return f"its half-life acts like {np.log(2.0) / constant:.0f} d instead of {stated_words}{as_of}"


def _half_life_words(half_life: float) -> str:
    if half_life < CENTURY_DAYS:
        return f"{half_life:.2f} d"
    return f"{float(f'{half_life / YEAR_DAYS:.3g}'):,.0f} years"


def date_words(offset: float, half_life: float) -> str:
    """An offset of the log activity as a wrong activity and as a wrong reference date; no date more than a century off.

    >>> date_words(0.0788, 271.74)
    'an activity 8.2 % higher, or a reference date 31 days later,'
    >>> date_words(-6.9, 271.74), date_words(0.0788, 5.7343e9)
    ('an activity 990 times lower, or a reference date 2705 days earlier,', 'an activity 8.2 % higher')
    """
    times = float(f"{np.exp(abs(offset)):.2g}")
    by = pct(100 * abs(np.expm1(offset))) if times < 3.0 else f"{times:g} times" if times < 10.0 else f"{times:,.0f} times"
    activity = f"an activity {by} {'higher' if offset > 0 else 'lower'}"
    off_days = abs(offset) * half_life / np.log(2.0)
    if off_days > CENTURY_DAYS:
        return activity
    return f"{activity}, or a reference date {off_days:.0f} days {'later' if offset > 0 else 'earlier'},"


def certificate_finding(
    name: str, moved: Moved, half_life: float, certificate_sd: float, now: float, inherited: Inherited | None = None,
    home: Home | None = None,
) -> Finding | None:
    """A constant factor beyond what the certificate allows, from the source's first 150 days.

    inherited: taken off, with its uncertainty, from the day it was known on. home: source on which references were formed,
    whose certificate may err as well; None: one with the same uncertainty.
    """
    whole = int(np.searchsorted(moved.ends, now, side="right"))
    looked_at = -1  # steps
    before = home if home is not None else Home("", 0.0, certificate_sd)
    for k in range(3, whole + 1):
        early = moved.part(0, k)
        early = early.part(0, int((early.at <= early.at[0] + EARLY_DAYS).sum()))
        if len(early) == looked_at:
            continue  # nothing new within its first days
        looked_at = len(early)
        w = 1.0 / early.sd**2
        start, error = float((w * early.value).sum() / w.sum()), float(1.0 / np.sqrt(w.sum()))
        level, slope, level_sd, slope_sd = line_fit(early.at, early.value, early.sd)
        if abs(slope) > SURE_Z * slope_sd and abs(slope) * YEAR_DAYS > STEEP_PER_YEAR:
            start, error = level, level_sd  # a wrong nuclide runs away from its activity within weeks
        if inherited is not None and inherited.known_days <= moved.ends[k - 1]:
            start, error = start - inherited.offset, float(np.hypot(error, inherited.sd))
        else:
            start -= before.offset
        if abs(start) <= SURE_CERTIFICATE * np.sqrt(certificate_sd**2 + before.sd**2 + error**2) or abs(start) <= LEAST_LEVEL:
            continue
        against = f", or {home.name}, on which references were formed, errs the other way" if home is not None else ""
        sentence = (
            f"{name} fits {date_words(start, half_life)} than its certificate states (k=1: "
            f"{pct(100 * certificate_sd)}){against}, or its jig was moved about when it came into use; {SAME_FACTOR}."
        )
        return Finding("change_point", float(moved.ends[k - 1]), start < 0, sentence, -1, -1)
    return None


def _is_slope(part: Moved) -> bool:
    """Whether a straight line is surely steep, over at least four months, and tells more than a step does."""
    if len(part) < 5 or part.at[-1] - part.at[0] < LEAST_SPAN_DAYS:
        return False
    _, slope, _, slope_sd = line_fit(part.at, part.value, part.sd)
    steep = abs(slope) > SURE_Z * slope_sd and abs(slope) * YEAR_DAYS > LEAST_SLOPE_PER_YEAR
    return steep and not stepped_rather(part.at, part.value, part.sd)


def _split(part: Moved) -> int | None:
    """First value after the largest step, if that is sure and no straight line tells more; two values on either side."""
    place, size, sure = largest_step(part.value, part.sd)
    if sure < SURE_Z or abs(size) < LEAST_LEVEL or not stepped_rather(part.at, part.value, part.sd):
        return None
    return place
