"""How often to check: the longest interval that keeps days out of tolerance unseen below what the site accepts.

Each fault this fleet has shown (a drift of so many per cent a year, a step of so many per cent) is let happen again, at a
random moment between two checks, and watched by the chart core in force at the noise of its own checks: the thresholds
are those of falls, which are all that is looked at here, and a change needs two checks that moved together, or one so far
off that a repeat is asked for there and then. Days out of
tolerance unseen are those from the passing of the tolerance limit to the check that signals. The rate of faults is what
the fleet had in the probe-years on record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.charts.budget import checks_between_false_alarms, run_lengths_of_sides
from analytics.charts.combined import LEAST_ARL0, MOST_ARL0, SixSums
from analytics.charts.price_basis import Z90
from analytics.charts.thresholds import FAR
from analytics.results import FleetAssessment, SeriesResult

INTERVALS_DAYS = (1.0, 7.0, 14.0, 30.4, 61.0, 91.0, 182.0)
YEAR_DAYS = 365.25
RUNS, MOST_CHECKS, SEED = 1000, 4000, 20_261
NONE_SEEN = 3.0  # with none seen in T probe-years the rate is below 3/T with 95 % confidence: −ln 0.05 = 2.996


@dataclass(frozen=True)
class SeenFault:
    """A change that stands on record. kind: drift (size in per cent lost a year) or step (per cent lost at once)."""

    probe: str
    kind: str
    size: float
    noise_pct: float  # of one check


@dataclass(frozen=True)
class IntervalPrice:
    """What one interval costs: days out of tolerance unseen, a probe-year, and the counting it takes."""

    interval_days: float
    unseen_days: float  # expected, a probe-year
    standard_error: float
    checks_a_year: float


@dataclass(frozen=True)
class IntervalAdvice:
    """advised_days: the longest interval that keeps to ``accepted_days``; None where none does, or none can be told."""

    accepted_days: float
    probe_years: float
    faults: tuple[SeenFault, ...]
    prices: tuple[IntervalPrice, ...]
    advised_days: float | None
    missing: str = ""


def interval_advice(
    assessment: FleetAssessment,
    probe_years: float,
    budget_per_probe_year: float,
    tolerance_pct: float,
    accepted_days: float,
    noise_pct: dict[str, float],
    dead_band_pct: float = 0.5,
) -> IntervalAdvice:
    """Advice for the whole fleet.

    probe_years: watched so far. accepted_days: out of tolerance unseen, expected a probe-year. noise_pct: of one check, by
    probe. With no fault on record the rate has no estimate: no advice, and ``missing`` says what is known instead.
    """
    faults = seen_faults(assessment, noise_pct)
    if not faults or probe_years <= 0:
        bound = f": with 95 % confidence fewer than {NONE_SEEN / probe_years:.2g} a probe-year" if probe_years > 0 else ""
        return IntervalAdvice(
            accepted_days, probe_years, (), (), None,
            f"No drift or step is on record in {probe_years:.3g} probe-years{bound}; how fast this fleet's probes fail is not known.",
        )  # fmt: skip
    prices = tuple(
        _price(faults, days, probe_years, budget_per_probe_year, tolerance_pct, dead_band_pct) for days in INTERVALS_DAYS
    )
    kept = [one.interval_days for one in prices if one.unseen_days <= accepted_days]
    return IntervalAdvice(accepted_days, probe_years, faults, prices, max(kept) if kept else None)


def seen_faults(assessment: FleetAssessment, noise_pct: dict[str, float]) -> tuple[SeenFault, ...]:
    """Losses of response that stand on record now, one a probe: the steepest drift, else the largest step.

    A drift counts where its 90 % interval excludes none, a step where an alert of loss stands without such a drift.
    """
    best: dict[str, SeenFault] = {}
    for one in assessment.series:
        if one.quantity != "response" or not any(a.settled_at is None and a.direction == "low" for a in one.alerts):
            continue
        found = _fault(one, noise_pct.get(one.probe, 1.5))
        if found is not None and (one.probe not in best or (found.kind, found.size) < (best[one.probe].kind, best[one.probe].size)):
            best[one.probe] = found
    return tuple(best[probe] for probe in sorted(best))


def _fault(one: SeriesResult, noise_pct: float) -> SeenFault | None:
    drift, bounds, now = one.drift_pct_per_year, one.drift_interval, one.current_pct
    if drift is not None and bounds is not None and bounds[1] < 0:
        return SeenFault(one.probe, "drift", min(-drift, 99.0), noise_pct)
    if now is not None and now < 99.0:
        return SeenFault(one.probe, "step", 100.0 - now, noise_pct)
    return None


def _price(
    faults: Sequence[SeenFault],
    interval_days: float,
    probe_years: float,
    budget_per_probe_year: float,
    tolerance_pct: float,
    dead_band_pct: float,
) -> IntervalPrice:
    between = checks_between_false_alarms(budget_per_probe_year, "response", np.array(interval_days))
    arl0 = min(max(float(run_lengths_of_sides(between)[0]), LEAST_ARL0), MOST_ARL0)
    found = [unseen_days(one, interval_days, arl0, tolerance_pct, dead_band_pct) for one in faults]
    total = sum(float(one.mean()) for one in found) / probe_years
    error = float(np.sqrt(sum(one.var(ddof=1) / len(one) for one in found))) / probe_years
    return IntervalPrice(interval_days, total, error, YEAR_DAYS / interval_days)


def unseen_days(
    fault: SeenFault, interval_days: float, arl0: float, tolerance_pct: float, dead_band_pct: float = 0.5, runs: int = RUNS
) -> np.ndarray:
    """Days out of tolerance until the signal, [runs], the onset at a random moment between two checks.

    arl0: checks between false alarms of an even chart with the thresholds of falls (``budget.run_lengths_of_sides``). A step that stays
    inside the tolerance is never out of it: 0. Walked with a fixed seed.

    >>> inside = SeenFault("GP-1", "step", 5.0, 1.0)
    >>> float(unseen_days(inside, 7.0, 1000.0, 10.0, runs=10).max())
    0.0
    >>> beyond = SeenFault("GP-1", "step", 30.0, 1.0)
    >>> round(float(unseen_days(beyond, 7.0, 1000.0, 10.0).mean()), 1)   # half an interval to the first check
    3.5
    """
    rng = np.random.default_rng(SEED)
    noise, limit = fault.noise_pct / 100.0, -np.log1p(-tolerance_pct / 100.0)
    loss = -np.log1p(-fault.size / 100.0)  # at once, or a year
    wait = rng.uniform(0.0, interval_days, runs)  # from the onset to the first check after it
    passed = (limit / loss * YEAR_DAYS) if fault.kind == "drift" else (0.0 if loss > limit else np.inf)
    sums = SixSums.at_rest(arl0, runs, np.log1p(dead_band_pct / 100.0) / noise)
    out, open_ = np.zeros(runs), np.arange(runs)
    if not np.isfinite(passed):
        return out
    for check in range(MOST_CHECKS):
        since = wait[open_] + check * interval_days
        mean = loss * since / YEAR_DAYS if fault.kind == "drift" else np.full(len(open_), loss)
        readings = -mean / noise + rng.standard_normal(len(open_))
        signal = sums.take(readings[None, :]).any(axis=0)
        if check == 0:
            signal &= np.abs(readings) > FAR  # one check alone never alarms, but a far one asks for a repeat there and then
        out[open_[signal]] = np.maximum(since[signal] - passed, 0.0)
        sums.keep(np.logical_not(signal))
        open_ = open_[np.logical_not(signal)]
        if not len(open_):
            break
    out[open_] = np.maximum(wait[open_] + MOST_CHECKS * interval_days - passed, 0.0)
    return out


def probe_years(readings: pd.DataFrame, as_of: datetime) -> float:
    """Time between first and last reading up to ``as_of``, summed over probes, in years. readings: as in ``Records``."""
    ends = readings[readings["taken_at"] <= pd.Timestamp(as_of)].groupby("probe")["taken_at"].agg(["min", "max"])
    return float((ends["max"] - ends["min"]).dt.total_seconds().sum()) / (86_400.0 * YEAR_DAYS)


def noise_pct(assessment: FleetAssessment) -> dict[str, float]:
    """Median standard deviation of one check of the response in the newest year, per cent, by probe that has one."""
    points = assessment.points
    owner = {one.index: one.probe for one in assessment.series if one.quantity == "response"}
    mine = points[points["series"].isin(list(owner)) & points["flag"].isin(["used", "reference"])]
    mine = mine[mine["check_at"] >= pd.Timestamp(assessment.as_of) - pd.Timedelta(days=YEAR_DAYS)]
    half = 100.0 * (mine["value_high"] - mine["value_low"]) / (2.0 * Z90 * mine["value"])
    found = half.groupby(mine["series"].map(owner)).median().dropna()
    return {str(probe): float(value) for probe, value in found.items() if value > 0}
