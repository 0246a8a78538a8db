"""Is it the source, the jig, or the probe: what is to be verified or replaced, with the numbers that say so."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal, cast

import numpy as np
import pandas as pd

from analytics.baseline.rows import Floats, Ints
from analytics.baseline.shared import SharedMovement
from analytics.counting.columns import Names
from analytics.counting.nuclides import half_life_days
from analytics.named_rows import named_rows
from analytics.results import Alert, DeviceAdvice, DeviceResult, Rule
from analytics.settings import Settings
from analytics.words import day, moment, pct, signed_pct

SURE_Z = 5.0
LEAST_SLOPE_PER_YEAR = 0.03
LEAST_LEVEL = 0.03
LEAST_SPAN_DAYS = 120.0
WEAK_RELATIVE_SD = (
    0.03  # counting precision in ten seconds below which a source is called too weak (trade: 3 % in 10 s)
)
WEAK_SECONDS = 10.0
YEAR_DAYS = 365.2422


def line_fit(at: Floats, value: Floats, sd: Floats) -> tuple[float, float, float, float]:
    """Weighted straight line: level at the first instant, slope per day, their standard errors (widened by misfit)."""
    w = 1.0 / sd**2
    t = at - at[0]
    mean_t, mean_y = float((w * t).sum() / w.sum()), float((w * value).sum() / w.sum())
    sxx = float((w * (t - mean_t) ** 2).sum())
    slope = float((w * (t - mean_t) * (value - mean_y)).sum()) / sxx if sxx > 0 else 0.0
    residual = value - mean_y - slope * (t - mean_t)
    misfit = max(float((w * residual**2).sum()) / max(len(at) - 2, 1), 1.0)
    slope_sd = float(np.sqrt(misfit / sxx)) if sxx > 0 else np.inf
    level_sd = float(np.sqrt(misfit / w.sum() + (mean_t * slope_sd) ** 2))
    return mean_y - slope * mean_t, slope, level_sd, slope_sd


@dataclass(frozen=True)
class Finding:
    """What a device was found to do, and when that was first sure."""

    rule: Rule
    signalled_days: float
    low: bool
    sentence: str


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
) -> list[Finding]:
    """Slope, constant factor and step of a source, each dated to the end of the thirty days that made it sure.

    Only whole bins count, taken one after the other, so a finding is never dated in hindsight. certificate_sd: k=1 of the
    log activity, None where the source's offset is zero by construction (references were formed on it) or not stated.
    """
    found: dict[str, Finding] = {}
    whole = int(np.searchsorted(ends, now, side="right"))
    for k in range(3, whole + 1):
        a, y, s = at[:k], value[:k], sd[:k]
        _, slope, _, slope_sd = line_fit(a, y, s)
        yearly = slope * YEAR_DAYS
        steep = abs(slope) > SURE_Z * slope_sd and abs(yearly) > LEAST_SLOPE_PER_YEAR
        # A step makes a straight line steep as well: it is a slope only where a line tells more than a step does.
        steep = steep and not _stepped_rather(a, y, s)
        if "slope" not in found and k >= 5 and a[-1] - a[0] >= LEAST_SPAN_DAYS and steep:
            acts = np.log(2.0) / (np.log(2.0) / half_life - slope)
            found["slope"] = Finding(
                "drift",
                float(ends[k - 1]),
                slope < 0,
                (
                    f"The {int(np.median(probes[:k]))} probes read on it move together by {signed_pct(100 * np.expm1(yearly))} a year beyond its "
                    f"stated decay (standard error {pct(100 * slope_sd * YEAR_DAYS)}): its half-life acts like {acts:.0f} d instead of "
                    f"{half_life:.2f} d. Verify nuclide, purity and half-life; no probe is blamed."
                ),
            )
        if "level" not in found and certificate_sd is not None:
            early = a <= a[0] + 150.0
            w = 1.0 / s[early] ** 2
            start, error = float((w * y[early]).sum() / w.sum()), float(1.0 / np.sqrt(w.sum()))
            if abs(start) > 3.0 * np.hypot(certificate_sd * np.sqrt(2.0), error) and abs(start) > LEAST_LEVEL:
                shift_days = abs(start) * half_life / np.log(2.0)
                found["level"] = Finding(
                    "change_point",
                    float(ends[k - 1]),
                    start < 0,
                    (
                        f"{name} fits an activity {pct(100 * abs(np.expm1(start)))} {'higher' if start > 0 else 'lower'}, or a reference date "
                        f"{shift_days:.0f} days {'later' if start > 0 else 'earlier'}, than its certificate states (k=1: "
                        f"{pct(100 * certificate_sd)}); for one nuclide the two are the same constant factor."
                    ),
                )
        jump = _step(a, y, s)
        if "step" not in found and "slope" not in found and jump is not None:
            found["step"] = Finding(
                "change_point",
                float(ends[k - 1]),
                jump[1] < 0,
                (
                    f"All probes on it stepped together by {signed_pct(100 * np.expm1(jump[1]))} about {day(jump[0])}: verify the source, its jig "
                    "and its place in it; no probe is blamed."
                ),
            )
    return sorted(found.values(), key=lambda one: one.signalled_days)


def _stepped_rather(at: Floats, value: Floats, sd: Floats) -> bool:
    """Whether one step accounts for the bins better than a straight line."""
    w = 1.0 / sd**2
    start, slope, _, _ = line_fit(at, value, sd)
    line = float((w * (value - start - slope * (at - at[0])) ** 2).sum())
    steps = []
    for k in range(2, len(at) - 1):
        before, after = (float((w[p] * value[p]).sum() / w[p].sum()) for p in (slice(None, k), slice(k, None)))
        steps.append(float((w * (value - np.where(np.arange(len(at)) < k, before, after)) ** 2).sum()))
    return bool(steps) and min(steps) < line


def source_results(
    sources: pd.DataFrame,
    movement: SharedMovement,
    names: Names,
    rates_cps: dict[str, float],
    first_used: dict[str, float],
    probes_on: dict[str, int],
    activity_variance: dict[str, float],
    home_sources: set[str],
    settings: Settings,
    as_of: datetime,
) -> tuple[DeviceResult, ...]:
    """One result a registered source.

    movement: by source code. rates_cps: median net rate of the newest checks on each source, now. home_sources: those on
    which the references of most of its probes were formed: their offset is zero by construction, only movement shows.
    """
    out = []
    now = (as_of - datetime(1970, 1, 1)).total_seconds() / 86400.0
    for row in named_rows(sources.sort_values("source")):
        name = str(row.source)
        half_life = float(half_life_days([str(row.nuclide)], settings.nuclides.half_lives)[0])
        reference = (row.reference_at - datetime(1970, 1, 1)).total_seconds() / 86400.0
        activity = (
            float(row.activity_kbq) * 2.0 ** (-(now - reference) / half_life) if np.isfinite(row.activity_kbq) else None
        )
        withdrawn = pd.notna(row.withdrawn_on) and row.withdrawn_on <= as_of
        reasons: list[str] = []
        alerts: list[Alert] = []
        code = names.source.index(name) if name in names.source else -1
        mine = movement.device == code
        offset = interval = None
        if code >= 0 and mine.any():
            at, value, sd = movement.at_days[mine], movement.offset[mine], movement.sd[mine]
            offset, interval = _latest(value, sd)
            prior = float(np.sqrt(activity_variance.get(name, 1.0)))
            certificate = prior if name not in home_sources and prior < 0.5 else None
            for one in source_findings(
                name, at, movement.ends_days[mine], value, sd, movement.probes[mine], half_life, certificate, now
            ):
                reasons.append(one.sentence)
                alerts.append(_alert(name, one))
        advice = "verify" if alerts else "use"
        count = probes_on.get(name, 0)
        if code >= 0 and count < settings.shared.least_probes:
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
                reasons.append(
                    f"It gives about {rate:.0f} counts a second now: ten seconds count to worse than 3 % (since {weak_on.isoformat()})."
                )
        if name in first_used and first_used[name] < reference - 0.5:
            reasons.append("Counted before its reference date; its decay was followed backwards.")
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


def device_results(
    kind: Literal["jig", "readout"],
    names: tuple[str, ...],
    movement: SharedMovement,
    sites: dict[str, str | None],
    now: float,
) -> tuple[DeviceResult, ...]:
    """Jigs and control units: a step that all probes on one share, and those on the others do not."""
    out = []
    word = "jig" if kind == "jig" else "control unit"
    for code, name in sorted(enumerate(names), key=lambda one: one[1]):
        mine = movement.device == code
        found: list[Finding] = []
        offset = interval = None
        if mine.any():
            at, value, sd, ends = (
                movement.at_days[mine],
                movement.offset[mine],
                movement.sd[mine],
                movement.ends_days[mine],
            )
            offset, interval = _latest(value, sd)
            for k in range(4, int(np.searchsorted(ends, now, side="right")) + 1):
                jump = _step(at[:k], value[:k], sd[:k])
                if jump is not None:
                    found.append(
                        Finding(
                            "change_point",
                            float(ends[k - 1]),
                            jump[1] < 0,
                            (
                                f"Probes read with this {word} stepped together by {signed_pct(100 * np.expm1(jump[1]))} about {day(jump[0])}, others on "
                                f"the same sources did not: verify the {word}; no probe is blamed."
                            ),
                        )
                    )
                    break
        out.append(
            DeviceResult(
                kind,
                name,
                sites.get(name),
                "verify" if found else "use",
                tuple(f.sentence for f in found),
                tuple(_alert(name, f) for f in found),
                offset_pct=offset,
                offset_interval_pct=interval,
            )
        )
    return tuple(out)


def _latest(value: Floats, sd: Floats) -> tuple[float, tuple[float, float]]:
    ends = [float(100.0 * np.expm1(value[-1] + score * sd[-1])) for score in (0.0, -1.645, 1.645)]
    return ends[0], (ends[1], ends[2])


def _step(at: Floats, value: Floats, sd: Floats) -> tuple[float, float] | None:
    """The largest step between the bins before and after a split, if sure: (day, size). Two bins on either side."""
    if len(at) < 4:
        return None
    w = 1.0 / sd**2
    total, weighted = np.cumsum(w), np.cumsum(w * value)
    k = np.arange(2, len(at) - 1)
    w0, w1 = total[k - 1], total[-1] - total[k - 1]
    size = (weighted[-1] - weighted[k - 1]) / w1 - weighted[k - 1] / w0
    sure = np.abs(size) / np.sqrt(1.0 / w0 + 1.0 / w1 + 0.003**2)
    best = int(np.argmax(sure))
    if sure[best] < SURE_Z or abs(size[best]) < LEAST_LEVEL:
        return None
    return float(at[k[best]]), float(size[best])


def _alert(name: str, found: Finding) -> Alert:
    when = moment(found.signalled_days)
    return Alert(
        f"E-{name}-{when:%Y%m%d}", found.rule, when, None, None, "low" if found.low else "high", found.sentence
    )
