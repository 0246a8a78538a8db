"""The price of a budget of false alarms: how many days pass until a step or a drift of so many per cent is signalled.

The response's charts as they are in force (``core``, thresholds of ``budget``, no check alone, dead band) are walked at
the noise of one check, √(counting² + repositioning²), for a probe whose level before is well known and whose past is
long: a young reference, or few neighbours on the source, make it later, the lower thresholds of a young unit sooner. A
change is a loss that sets in right after a check; days are mean run length times cadence. Beside it stands the old
habit, one check beyond a fixed limit (``habit``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analytics.baseline.noise import FLOOR
from analytics.charts.budget import checks_between_false_alarms, run_lengths_of_sides
from analytics.charts.combined import MOST_ARL0, mean_run_length
from analytics.charts.habit import checks_to_pass_limit, checks_to_pass_limit_by_drift
from analytics.errors import UserError

STEPS_PCT = (1.0, 2.0, 3.0, 5.0, 8.0, 10.0)
TWO_PCT_A_MONTH = 100.0 * (1.0 - 0.98**12)  # per cent a year
DRIFTS_PCT_PER_YEAR = (2.0, 5.0, 10.0, 20.0, TWO_PCT_A_MONTH, 40.0)
AIM = 0.01  # relative standard error of a mean number of checks
HABIT_PCT = 10.0
NEVER_ALONE = 0.0  # sigma beyond which the first check after a change waits for the next: always
LEAST_PLACING_PCT = 100.0 * math.sqrt(FLOOR)
YEAR_DAYS = 365.25
BOUNDS: dict[str, tuple[float, float, str, str]] = {
    "budget": (1e-4, 10.0, "false alarms a probe-year", "0.05 is one false alarm in twenty years of a probe."),
    "cadence": (0.25, YEAR_DAYS, "days", "7 is weekly."),
    "counts": (30.0, 1e9, "counts of one check", "Give the net counts of the check on the source, such as 5000."),
    "repositioning": (0.0, 30.0, "%", "1 is usual for a jig (common practice, no source)."),
    "dead band": (0.0, 20.0, "%", "It is the setting limits.dead_band_pct."),
    "step": (0.01, 90.0, "%", "Give losses, such as 1,5,10."),
    "drift": (0.5, 99.0, "% a year", "Give losses, such as 2,10,40; slower ones hide in the noise for decades."),
}


@dataclass(frozen=True)
class Situation:
    """What a price is asked for."""

    budget_per_probe_year: float
    cadence_days: float
    counts: float  # net, of one check
    repositioning_pct: float  # one standard deviation
    dead_band_pct: float = 0.5

    def __post_init__(self) -> None:
        """UserError where a number is none or lies outside what can be meant."""
        within("budget", self.budget_per_probe_year, "--budget")
        within("cadence", self.cadence_days, "--cadence-days")
        within("counts", self.counts, "--counts")
        within("repositioning", self.repositioning_pct, "--repositioning-pct")
        within("dead band", self.dead_band_pct, "limits.dead_band_pct")
        if self.checks_between_false_alarms > MOST_ARL0:
            raise UserError(
                f"at this cadence the budget {self.budget_per_probe_year:g} asks for {self.checks_between_false_alarms:.2g} "
                f"checks between false alarms; more than {MOST_ARL0:.0e} are not computed",
                where="--budget",
                do="Allow more false alarms.",
            )

    @property
    def counting_pct(self) -> float:
        """Poisson: 100/√N."""
        return 100.0 / math.sqrt(self.counts)

    @property
    def placing_pct(self) -> float:
        """Repositioning, not below what the analysis believes of any jig."""
        return max(self.repositioning_pct, LEAST_PLACING_PCT)

    @property
    def noise_pct(self) -> float:
        """Standard deviation of one check: √(counting² + repositioning²)."""
        return math.hypot(self.counting_pct, self.placing_pct)

    @property
    def dead_band_sd(self) -> float:
        """The dead band in standard deviations of one check."""
        return math.log1p(self.dead_band_pct / 100.0) / (self.noise_pct / 100.0)

    @property
    def checks_between_false_alarms(self) -> float:
        """Of the response's share of the budget."""
        return float(
            checks_between_false_alarms(self.budget_per_probe_year, "response", np.array(self.cadence_days))
        )

    @property
    def run_lengths_of_sides(self) -> tuple[float, float]:
        """For falls and for rises: run length of an even chart with that side's thresholds, within what is computed."""
        low, high = run_lengths_of_sides(np.array(self.checks_between_false_alarms))
        return float(low), min(float(high), MOST_ARL0)


@dataclass(frozen=True)
class Delay:
    """How late one change is signalled; None where that does not happen within a million checks."""

    kind: str  # "step" or "drift"
    size: float  # loss in per cent, or per cent a year
    checks: float | None
    checks_standard_error: float | None
    days: float | None
    lost_by_then_pct: float | None
    days_without_dead_band: float | None
    days_fixed_limit: float | None


def delays(
    situation: Situation, steps_pct: Sequence[float] = STEPS_PCT, drifts_pct_per_year: Sequence[float] = DRIFTS_PCT_PER_YEAR
) -> tuple[Delay, ...]:
    """Steps, then drifts, in the order asked.

    >>> weekly = Situation(0.05, 7.0, counts=5000, repositioning_pct=1.0)
    >>> (one,) = delays(weekly, [5.0], [])
    >>> 18 < one.days < 22, one.days_fixed_limit > 7000
    (True, True)
    """
    for size in steps_pct:
        within("step", size, "--steps-pct")
    for size in drifts_pct_per_year:
        within("drift", size, "--drifts-pct-per-year")
    return (
        *(_delay(situation, "step", float(size)) for size in steps_pct),
        *(_delay(situation, "drift", float(size)) for size in drifts_pct_per_year),
    )


def mean_checks(situation: Situation, kind: str, size: float, *, dead_band: bool = True) -> tuple[float, float]:
    """Mean checks until the response's charts signal, and its standard error; inf where they practically never do."""
    noise = situation.noise_pct / 100.0
    loss = -math.log1p(-size / 100.0)
    arl0 = situation.run_lengths_of_sides[0]
    band = situation.dead_band_sd if dead_band else 0.0
    if kind == "step":
        found = mean_run_length(arl0, shift=_kept(loss / noise), dead_band=_kept(band), held_beyond=NEVER_ALONE, aim=AIM)
    else:
        rate = loss * situation.cadence_days / YEAR_DAYS
        found = mean_run_length(arl0, drift=_kept(rate / noise), dead_band=_kept(band), held_beyond=NEVER_ALONE, aim=AIM)
    return found.mean, found.standard_error


def _kept(value: float) -> float:
    """To nine digits, so that the same question asked again is found among those answered."""
    return float(f"{value:.9g}")


def _delay(situation: Situation, kind: str, size: float) -> Delay:
    checks, error = mean_checks(situation, kind, size)
    plain = mean_checks(situation, kind, size, dead_band=False)[0] if situation.dead_band_pct > 0 else checks
    fixed = habit_checks(situation, kind, size)
    days = _days(checks, situation)
    lost = None if days is None else size if kind == "step" else 100.0 * (1.0 - (1.0 - size / 100.0) ** (days / YEAR_DAYS))
    known = days is not None
    return Delay(
        kind,
        size,
        checks if known else None,
        error if known else None,
        days,
        lost,
        _days(plain, situation),
        _days(fixed, situation),
    )


def habit_checks(situation: Situation, kind: str, size: float, limit_pct: float = HABIT_PCT) -> float:
    """Mean checks until one lies beyond the fixed limit."""
    noise, loss = situation.noise_pct / 100.0, -math.log1p(-size / 100.0)
    if kind == "step":
        return checks_to_pass_limit(loss, limit_pct=limit_pct, noise=noise)
    rate = loss * situation.cadence_days / YEAR_DAYS
    return checks_to_pass_limit_by_drift(rate, limit_pct=limit_pct, noise=noise)


def habit_false_alarms_per_year(situation: Situation, limit_pct: float = HABIT_PCT) -> float:
    """What the fixed limit costs on a sound probe at this noise."""
    checks = checks_to_pass_limit(0.0, limit_pct=limit_pct, noise=situation.noise_pct / 100.0)
    return YEAR_DAYS / situation.cadence_days / checks


def false_alarms_per_year(situation: Situation) -> tuple[float, float]:
    """Of the response's charts on a sound probe: what they may give, and what they give behind the dead band."""
    per_year = YEAR_DAYS / situation.cadence_days
    band = _kept(situation.dead_band_sd)
    # Of two even charts, one with the thresholds of falls and one with those of rises, each has one side in force.
    behind = [mean_run_length(arl0, dead_band=band, aim=AIM).mean for arl0 in situation.run_lengths_of_sides]
    return per_year / situation.checks_between_false_alarms, per_year * sum(0.5 / one for one in behind)


def with_counting_time(situation: Situation, factor: float) -> Situation:
    """The same with a counting time so many times as long."""
    return replace(situation, counts=situation.counts * factor)


def _days(checks: float, situation: Situation) -> float | None:
    return checks * situation.cadence_days if checks <= 1e6 else None


def within(name: str, value: float, option: str) -> None:
    """UserError where a number is none or lies outside its bounds: what it is, what it may be, and an example."""
    low, high, unit, example = BOUNDS[name]
    if not math.isfinite(value):
        raise UserError(f"the {name} is {value} and must be a number of {unit}", where=option, do=example)
    if not low <= value <= high:
        raise UserError(
            f"the {name} is {value:g} {unit} and must lie between {low:g} and {high:g}", where=option, do=example
        )
