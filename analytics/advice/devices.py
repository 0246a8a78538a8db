"""Is it the source, the jig, or the probe: what is to be verified or replaced, with the numbers that say so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Literal, cast

import numpy as np
import pandas as pd

from analytics.advice.device_findings import (
    Finding,
    Home,
    Inherited,
    Moved,
    inherited_from,
    movement_findings,
    source_findings,
    words,
)
from analytics.advice.home_certificate import OddHome, expected_on, odd_home, read_after
from analytics.advice.source_inspections import FailedChecks
from analytics.baseline.rows import Floats
from analytics.baseline.shared import MOST_LOG, SharedMovement
from analytics.counting.columns import Names
from analytics.counting.nuclides import MOST_HALF_LIVES, half_life_days
from analytics.named_rows import named_rows
from analytics.results import Alert, DeviceAdvice, DeviceResult
from analytics.settings import Settings
from analytics.words import day, moment

WEAK_RELATIVE_SD = (
    0.03  # counting precision in ten seconds below which a source is called too weak (trade: 3 % in 10 s)
)
WEAK_SECONDS = 10.0
UNSTATED_SD = 0.5  # of a log activity, from which on none is stated


def source_results(
    sources: pd.DataFrame,
    movement: SharedMovement,
    names: Names,
    rates_cps: dict[str, float],
    used: dict[str, tuple[float, float]],
    probes_on: dict[str, int],
    activity_variance: dict[str, float],
    homes: dict[str, str],
    failed: Mapping[str, FailedChecks],
    settings: Settings,
    as_of: datetime,
) -> tuple[DeviceResult, ...]:
    """One result a registered source.

    movement: by source code. used: days of the first and the last check on each source. rates_cps: median net rate of its
    newest checks, now. failed: leak tests and inventories. homes: the source on which the references of most probes of each were
    formed. One that is its own home has an offset of zero by construction, only
    movement shows; one whose home was found to decay otherwise than stated is held against what that makes of it (``Inherited``).
    """
    out = []
    now = (as_of - datetime(1970, 1, 1)).total_seconds() / 86400.0
    inherited = _inherited(sources, movement, names, homes, now)
    lives = dict(zip(sources["source"].astype(str), half_life_days(list(sources["nuclide"].astype(str)), settings.nuclides.half_lives), strict=True))
    certificates = Certificates.of(movement, names, homes, activity_variance, lives, inherited, now)
    for row in named_rows(sources.sort_values("source")):
        name = str(row.source)
        half_life = float(lives[name])
        reference = (row.reference_at - datetime(1970, 1, 1)).total_seconds() / 86400.0
        activity = _activity_now(float(row.activity_kbq), now - reference, half_life)
        withdrawn = pd.notna(row.withdrawn_on) and row.withdrawn_on <= as_of
        reasons: list[str] = []
        alerts: list[Alert] = []
        code = names.source.index(name) if name in names.source else -1
        mine = movement.device == code
        offset = interval = None
        if code >= 0 and mine.any():
            moved = _moved(movement, code)
            offset, interval = _latest(moved.value, moved.sd)
            found, freed = certificates.findings(name, moved, half_life, now)
            reasons += _as_known_now("source", [one for one in found if one not in freed], moved, now, half_life)
            reasons += [f"It agrees with the sources after {home}: it was {home} that erred." for home in freed.values()]
            alerts += [_alert(name, one, certificates.settled_days(freed.get(one))) for one in found]
        checks = failed.get(name)
        reasons = [*(checks.sentences if checks is not None else ()), *reasons]
        impossible = _impossible(str(row.nuclide), half_life, reference, used.get(name))
        reasons += [] if impossible is None else [impossible]
        advice = "verify" if checks is not None or impossible is not None or any(one.settled_at is None for one in alerts) else "use"
        count = probes_on.get(name, 0)
        if code >= 0 and 0 < count < settings.shared.least_probes:
            reasons.append(
                f"Read with {count} probe{'s' if count != 1 else ''} only: its own movement and a probe's cannot be told apart "
                f"({settings.shared.least_probes} probes are needed)."
            )
        rate = rates_cps.get(name)
        weak_on: date | None = None
        if rate is not None and rate > 0 and np.isfinite(half_life):
            left = half_life * np.log2(rate * WEAK_RELATIVE_SD**2 * WEAK_SECONDS)
            weak_on = (as_of + timedelta(days=float(np.clip(left, -36500, 36500)))).date()
            if left <= 0 and not withdrawn:
                advice = "replace" if advice == "use" else advice
                # Where it has been too weak from the first, the day it would have become so tells nothing.
                since = f" (since {weak_on.isoformat()})" if name in used and weak_on > moment(used[name][0]).date() else ""
                reasons.append(f"It gives about {rate:.{0 if rate >= 10.0 else 1}f} counts a second now: ten seconds count to worse than 3 %{since}.")
        if impossible is None and name in used and used[name][0] < reference - 0.5:
            reasons.append("Counted before its reference date; its decay was followed backwards.")
        if checks is not None and checks.out_of_use and not withdrawn:
            advice = "replace"  # whatever else is to be verified
        if withdrawn:
            reasons.append(f"Withdrawn on {row.withdrawn_on.date().isoformat()}.")
        out.append(
            DeviceResult(
                "source",
                name,
                None if pd.isna(row.site) else str(row.site),
                cast(DeviceAdvice, advice),
                tuple(reasons),
                tuple(alerts),
                activity,
                rate,
                weak_on,
                offset,
                interval,
            )
        )
    return tuple(out)


def _activity_now(stated_kbq: float, age_days: float, half_life: float) -> float | None:
    """None where none is stated, or none can be said."""
    halves = age_days / half_life
    return stated_kbq * 2.0**-halves if np.isfinite(stated_kbq) and abs(halves) < MOST_HALF_LIVES else None


def _impossible(nuclide: str, half_life: float, reference: float, used: tuple[float, float] | None) -> str | None:
    """Why nothing that was counted on a source can be judged; None where it can."""
    if np.isnan(half_life):
        return f"No half-life is known for its nuclide {nuclide}: nothing counted on it can be judged."
    if used is not None and max(reference - used[0], used[1] - reference) > MOST_HALF_LIVES * half_life:
        return (
            f"Counted more than {MOST_HALF_LIVES:g} half-lives of {nuclide} from its reference date {day(reference)}: "
            "the date or the nuclide cannot be right, and nothing counted then can be judged."
        )
    return None


def _inherited(
    sources: pd.DataFrame, movement: SharedMovement, names: Names, homes: dict[str, str], now: float
) -> dict[str, Inherited]:
    """By home source that was found to decay otherwise than stated: what its probes' references inherit from it."""
    out = {}
    reference_at = dict(zip(sources["source"].astype(str), sources["reference_at"], strict=True))
    for name in sorted(set(homes.values()) & set(reference_at)):
        moved = _moved(movement, names.source.index(name))
        slope = next((one for one in movement_findings("source", moved, now) if one.rule == "drift"), None) if len(moved) else None
        if slope is not None:
            since = (reference_at[name] - pd.Timestamp(0)).total_seconds() / 86400.0
            out[name] = inherited_from(moved.part(slope.begin, slope.end), slope.signalled_days, float(moved.at.min()) - since)
    return out


@dataclass(frozen=True)
class Certificates:
    """What the certificates of all sources say of each other, through the probes read on them."""

    homes: dict[str, str]  # source on which the references of most probes of each were formed
    sd: dict[str, float]  # k=1 of the log activity, where it is stated
    after: dict[str, dict[str, Moved]]  # by home with a stated activity: movement of the later sources
    odd: dict[str, OddHome]
    inherited: dict[str, Inherited]  # by home

    @classmethod
    def of(
        cls, movement: SharedMovement, names: Names, homes: dict[str, str], variance: dict[str, float], lives: dict[str, float],
        falling: dict[str, Inherited], now: float,
    ) -> Certificates:
        """variance: of the log activity. lives: half-lives, days. falling: homes that decay otherwise than stated."""
        sd = {one: float(np.sqrt(v)) for one, v in variance.items() if np.sqrt(v) < UNSTATED_SD}
        after = {
            home: {one: _moved(movement, names.source.index(one)) for one, of in homes.items() if of == home != one}
            for home in sorted(set(homes.values()) & set(sd) & set(lives))
        }
        found = {home: odd_home(home, sd[home], after[home], sd, lives[home], now) for home in after if home not in falling}
        odd = {home: one for home, one in found.items() if one is not None}
        return cls(homes, sd, after, odd, falling | {home: one.inherited for home, one in odd.items()})

    def findings(
        self, name: str, moved: Moved, half_life: float, now: float
    ) -> tuple[list[Finding], dict[Finding, str]]:
        """All findings of a source by their days, and those that were the error of its home, with that home."""
        home = self.homes.get(name)
        against = home is None or (home != name and home in self.sd)  # a home of no stated activity is no scale for certificates
        found = source_findings(
            name, moved.at, moved.ends, moved.value, moved.sd, moved.probes, half_life,
            self.sd.get(name) if against else None, now, self.inherited.get(home or ""), self._home(home, moved),
        )
        if name in self.odd:
            found = sorted([*found, self.odd[name].finding], key=lambda one: one.signalled_days)
        odd = self.odd.get(home or "")
        if home is None or odd is None or name not in odd.agree:
            return found, {}
        return found, {one: home for one in found if one.begin < 0 and one.signalled_days <= odd.inherited.known_days}

    def settled_days(self, home: str | None) -> float | None:
        """Day on which the error of a home was known; None for none."""
        return None if home is None else self.odd[home].inherited.known_days

    def _home(self, home: str | None, moved: Moved) -> Home | None:
        """The home as its certificate and the sources before this one tell it; None where its certificate states no uncertainty."""
        if home is None or home not in self.after or not len(moved):
            return None
        begins = float(moved.at.min())
        return Home(home, *expected_on(begins, self.sd[home], read_after(self.after[home], self.sd, begins)))


def device_results(
    kind: Literal["jig", "readout"],
    names: tuple[str, ...],
    movement: SharedMovement,
    sites: dict[str, str | None],
    now: float,
) -> tuple[DeviceResult, ...]:
    """Jigs and control units: a step that all probes on one share, and those on the others do not."""
    out = []
    for code, name in sorted(enumerate(names), key=lambda one: one[1]):
        moved = _moved(movement, code)
        offset, interval = _latest(moved.value, moved.sd) if len(moved) else (None, None)
        found = movement_findings(kind, moved, now)
        out.append(
            DeviceResult(
                kind,
                name,
                sites.get(name),
                "verify" if found else "use",
                tuple(_as_known_now(kind, found, moved, now)),
                tuple(_alert(name, f) for f in found),
                offset_pct=offset,
                offset_interval_pct=interval,
            )
        )
    return tuple(out)


def _moved(movement: SharedMovement, code: int) -> Moved:
    mine = movement.device == code
    return Moved(
        movement.at_days[mine], movement.ends_days[mine], movement.offset[mine], movement.sd[mine], movement.probes[mine]
    )


def _as_known_now(kind: str, found: list[Finding], moved: Moved, now: float, half_life: float = np.nan) -> list[str]:
    """The findings in sentences, with the numbers of all whole steps so far, each up to the next one found."""
    whole = int(np.searchsorted(moved.ends, now, side="right"))
    out = []
    begins = [one.begin for one in found if one.rule != "drift" and one.begin >= 0]
    for one in found:
        if one.begin < 0:
            out.append(one.sentence)
            continue
        later = [b for b in begins if b > one.begin]
        # A step is over where the next search for one began, which found another: up to the end of what that rests on less itself.
        end = whole if not later or one.rule == "drift" else min(max(later[0] + 2, one.end), whole)
        out.append(words(kind, replace(one, end=end), moved, half_life))
    return out


def _latest(value: Floats, sd: Floats) -> tuple[float, tuple[float, float]]:
    ends = [float(100.0 * np.expm1(min(value[-1] + score * sd[-1], MOST_LOG))) for score in (0.0, -1.645, 1.645)]
    return ends[0], (ends[1], ends[2])


def _alert(name: str, found: Finding, settled_days: float | None = None) -> Alert:
    when = moment(found.signalled_days)
    settled = None if settled_days is None else moment(settled_days)
    return Alert(
        f"E-{name}-{when:%Y%m%d}", found.rule, when, None, settled, "low" if found.low else "high", found.sentence
    )
