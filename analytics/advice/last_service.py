"""The last service of a probe: what it was, whether it held, and which alarms it has answered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.advice.before_service import AroundServices, rows_of_series
from analytics.advice.gather import LEVEL_RULES
from analytics.advice.repairs_held import After, after_response, after_shift, interval, not_held_probability
from analytics.charts.outliers import LOOK_BACK
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.counting.arrays import Codes
from analytics.drift.state import DriftState
from analytics.results import Alert
from analytics.words import day, likely, moment, signed_pct

ENOUGH_CHECKS = 5  # after a service, before an alarm from before it may count as answered
ANSWERED_BELOW = 0.15  # probability of not having held up to which it may
SCATTER_BEFORE, SCATTER_CALM = 2.0, 2.5  # mean squared residuals in their own variance
LEAST_FOR_MEDIAN = 3  # checks that have a median of their own
SLID_ON = 1.0  # nats from which a photopeak that slid on is the cause of what the response did
LONE = 4.0  # one blunder after a service is no scatter
NEWEST = 30  # checks before the service that say how it scattered
SCATTER_RULES = ("scatter",)
CABLES = ("cable_replaced",)  # says nothing of level and drift, unless they had alarmed


@dataclass(frozen=True)
class Windows:
    """Code of the window of each response series, and the names of the codes."""

    of_series: Codes
    names: tuple[str, ...]


@dataclass(frozen=True)
class LastService:
    """The last service as far as it can be judged."""

    at_days: float
    kind: str
    parts: tuple[After, ...] = ()
    not_held: float | None = None  # probability; None where nothing was read on both sides of it
    answered: frozenset[str] = frozenset()  # rules of standing alarms that it has answered
    checks: int = 0  # after it
    window: str | None = None  # of the response, where the probe is read in more than one

    def goes_on(self) -> str | None:
        """Cause of what went on after it, by the part that speaks most for that; None where none speaks for it.

        A response that drifts on the way it went, before or after, by more than its uncertainty loses efficiency, one that does not
        had stepped; where the photopeak slid on as well, that is the cause.
        """
        speaking = [p for p in self.parts if p.log_odds > 0]
        if not speaking:
            return None
        most = max(speaking, key=lambda p: p.log_odds)
        if most.what == "scatter":
            return "intermittent"
        if most.what == "window shift" or any(p.what == "window shift" and p.log_odds > SLID_ON for p in speaking):
            return "window_slip"
        way = 1.0 if most.lost > 0 else -1.0
        drifts = way * most.drift_before > most.drift_before_sd or way * most.drift_after > most.drift_after_sd
        return "efficiency_loss" if drifts else "sudden_loss"

    def sentences(self) -> list[str]:
        """What was found, with its numbers."""
        out: list[str] = []
        what = f"{self.kind.replace('_', ' ')} on {day(self.at_days)}"
        if self.not_held is not None:
            word = next(text for least, text in SAID if self.not_held >= least)
            numbers = "; ".join(_numbers(p, self.window) for p in self.parts if p.what != "window shift" or p.checks > 1)
            out.append(
                f"The last service ({what}) {word} (probability that it did not: {likely(self.not_held)})"
                f"{': ' + numbers if numbers else ''}."
            )
        if self.answered:
            rules = ", ".join(one.replace("_", " ") for one in sorted(self.answered))
            out.append(
                f"The alarm ({rules}) is from before the last service ({what}); the {_checks(self.checks)} since then show nothing of it."
            )
        return out


SAID = (
    (0.9, "did not hold"),
    (0.6, "likely did not hold"),
    (0.3, "has not shown yet that it held"),
    (0.0, "held as far as the checks tell"),
)


def _checks(number: int) -> str:
    return "1 check" if number == 1 else f"{number} checks"


def _numbers(p: After, window: str | None) -> str:
    if p.what == "scatter":
        return f"residuals {p.lost:.1f} times what chance makes before it, {p.left:.1f} times in {_checks(p.checks)} after it"
    of_response = p.what == "response"
    unit = "the photopeak in the window" if not of_response else f"the response in {window}" if window else "the response"
    low, high = interval(p.drift_after, p.drift_after_sd)
    before, after, least, most, lost, left = (
        signed_pct(round(100.0 * float(np.expm1(x)) if of_response else x, 1))
        for x in (p.drift_before, p.drift_after, low, high, p.lost, p.left)
    )
    return (
        f"{unit} drifted by {before} a year before it and by {after} after it (90 %: {least} to {most}, {_checks(p.checks)}),"
        f" and stood {lost} off before it and {left} after it"
    )


def after_scatter(charts: ResponseCharts, series: int, service_day: float) -> After | None:
    """Did the scatter go with the service? Residuals against the local level, in units of their own spread.

    Each after the service is held against N(0, 1) and against N(0, s²) of the checks before it; None where those did
    not scatter, or there are none after it. The first five after it are held against their own median, since the local
    level of the others is made of what was read before it.
    """
    rows, c = charts.rows, charts.corrected
    mine = rows_of_series(charts, series)
    z = charts.outliers.z_local[mine]
    first = np.flatnonzero(rows.at_days[mine] > service_day)[:LOOK_BACK]
    if len(first) >= LEAST_FOR_MEDIAN:
        early = mine[first]
        x, variance = c.x[early], c.noise[early] + c.persistent[early]
        z[first] = (x - np.median(x)) / np.sqrt(variance * (1.0 + 0.5 * np.pi / len(first)))
    z = np.clip(z, -8.0, 8.0)
    known = np.isfinite(z)
    before = z[known & (rows.at_days[mine] <= service_day)][-NEWEST:]
    after = z[known & (rows.at_days[mine] > service_day)]
    if len(before) < ENOUGH_CHECKS or len(after) == 0:
        return None
    spread = float((before**2).mean())
    if spread < SCATTER_BEFORE:
        return None
    gain = float(np.clip(0.5 * after**2 * (1.0 - 1.0 / spread) - 0.5 * np.log(spread), -3.0, 3.0).sum())
    return After("scatter", len(after), 0.0, 0.0, 0.0, 0.0, spread, float((np.clip(after, -LONE, LONE) ** 2).mean()), 0.0, gain)


def last_service(
    at_days: float,
    kind: str,
    charts: ResponseCharts,
    state: DriftState,
    shift: QuantityChart,
    around: AroundServices,
    probe: int,
    located: Sequence[tuple[Alert, int]],
    windows: Windows,
    fails_share: float,
    action_pct: float,
) -> LastService:
    """Whether the service at ``at_days`` held.

    around: the series around it. located: every opening on the probe with the code of its window. Of two windows the one tells whose
    level had alarmed, since that is what the service was to bring back.
    """
    alerts = [a for a, _ in located]
    rows = charts.rows
    low, high = np.searchsorted(rows.probe, [probe, probe + 1])  # its rows stand together
    series = np.unique(rows.series[low:high]).tolist()
    judged = [(after_response(charts, state, around, one, at_days, kind), one.series) for one in around.responses.get(probe, ())]
    responses = [part for part, _ in judged if part.tells]
    window_of = [int(windows.of_series[series]) for part, series in judged if part.tells]
    scatters = [p for one in series if (p := after_scatter(charts, one, at_days)) is not None]
    at = moment(at_days)
    scattered = any(a.rule in SCATTER_RULES and a.signalled_at <= at for a in alerts)
    parts: list[After] = []
    slides = [p for one in around.shifts.get(probe, ()) if (p := after_shift(shift, around, one, at_days)).tells]
    alarmed = {
        window
        for a, window in located
        if a.rule in LEVEL_RULES and a.signalled_at <= at and (a.settled_at is None or a.settled_at >= at)
    }
    named = None
    if kind not in CABLES or alarmed:
        if responses:
            place = max(range(len(responses)), key=lambda k: (window_of[k] in alarmed, responses[k].checks))
            parts.append(responses[place])
            named = windows.names[window_of[place]] if len(set(window_of)) > 1 else None
        parts += [max(slides, key=lambda p: p.checks)] if slides else []
    if scatters and scattered:
        parts.append(max(scatters, key=lambda p: p.checks))
    not_held = not_held_probability(parts, fails_share) if parts else None
    checks = max((p.checks for p in (*responses, *scatters)), default=0)
    gone: set[str] = set()
    if checks >= ENOUGH_CHECKS and not_held is not None and not_held <= ANSWERED_BELOW:
        if scatters and all(p.left < SCATTER_CALM for p in scatters):
            gone.update(SCATTER_RULES)
        if responses and all(abs(p.left) < min(2.0 * p.left_sd, action_pct / 100.0) for p in responses):
            gone.update(LEVEL_RULES)
    answered = frozenset[str](
        a.rule
        for a in alerts
        if a.settled_at is None
        and a.rule in gone
        and (a.signalled_at <= at or (a.onset_estimate is not None and a.onset_estimate <= at))
    )
    still = {
        a.rule
        for a in alerts
        if a.settled_at is None and a.signalled_at > at and not (a.onset_estimate is not None and a.onset_estimate <= at)
    }
    return LastService(at_days, kind, tuple(parts), not_held, answered - still, checks, named)
