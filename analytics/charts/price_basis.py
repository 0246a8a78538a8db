"""What a fleet's own records say of cadence, counts and spread: where the price of its budget begins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.charts.price import BOUNDS, LEAST_PLACING_PCT, YEAR_DAYS
from analytics.counting.arrays import Floats, Ints, Times, order_by, starts_of
from analytics.results import FleetAssessment

Z90 = 1.6448536269514722  # half width of a 90 % interval, in standard deviations
NEWEST_DAYS = YEAR_DAYS
DAY_US = 86_400_000_000
LEAST_CHECKS = 3  # of a series, for a cadence


@dataclass(frozen=True)
class Basis:
    """Medians over the newest year of checks of the response; None where the records do not tell."""

    checks: int
    series: int
    cadence_days: float | None
    counts: float | None  # gross counts of one check, its repeats together
    repositioning_pct: float | None


def basis_of(assessment: FleetAssessment, readings: pd.DataFrame) -> Basis:
    """The medians of the fleet.

    Cadence: over series, of their median interval. Counts: gross counts on the source, the repeats of a check together.
    Repositioning: what the interval of the charted values holds beyond 1/√counts; at least what is believed of any jig.
    readings: as in ``Records.readings``.
    """
    points = assessment.points
    response = np.zeros(max((one.index for one in assessment.series), default=-1) + 1, bool)
    response[[one.index for one in assessment.series if one.quantity == "response"]] = True
    series, at = points["series"].to_numpy(), points["check_at"].to_numpy()
    mine = response[series] & points["flag"].isin(["used", "reference"]).to_numpy()
    if not mine.any():
        return Basis(0, 0, None, None, None)
    rows = np.flatnonzero(mine & (at >= at[mine].max() - np.timedelta64(round(NEWEST_DAYS * DAY_US), "us")))
    gaps = _median_gaps_days(series[rows], at[rows])
    counted = _gross_counts(points["check"].to_numpy()[rows], assessment.countings, readings)
    counts = float(np.median(counted)) if len(counted) else None
    value, low, high = (points[name].to_numpy()[rows] for name in ("value", "value_low", "value_high"))
    noise = 100.0 * (high - low) / 2.0 / Z90 / value
    noise_pct = float(np.median(noise[~np.isnan(noise)])) if (~np.isnan(noise)).any() else np.nan
    placing = None
    if counts is not None and counts > 0 and np.isfinite(noise_pct):
        placing = float(np.sqrt(max(noise_pct**2 - 1e4 / counts, LEAST_PLACING_PCT**2)))
    return Basis(
        len(rows),
        len(np.unique(series[rows])),
        _within(float(np.median(gaps)) if len(gaps) else None, "cadence"),
        _within(counts, "counts"),
        _within(placing, "repositioning"),
    )


def _median_gaps_days(series: Ints, at: Times) -> Floats:
    """Median interval between checks, of each series that has enough of them."""
    order = order_by(series, at)
    starts = starts_of(series[order])
    many = np.diff(np.append(starts, len(order)))
    gaps = np.diff(at[order]) / np.timedelta64(1, "D")
    gaps = np.append(gaps, np.nan)
    gaps[np.append(starts[1:], len(order)) - 1] = np.inf  # after the last of a series: none, and behind all others
    ranked = gaps[order_by(np.repeat(np.arange(len(starts)), many), gaps)]
    low, high = starts + (many - 2) // 2, starts + (many - 1) // 2
    enough = many >= LEAST_CHECKS
    return np.asarray(ranked[low[enough]] + ranked[high[enough]], np.float64) / 2.0


def _gross_counts(checks: Ints, countings: pd.DataFrame, readings: pd.DataFrame) -> Floats:
    """Counts on the source of each of these checks that has any, its repeats together."""
    wanted = np.zeros(max(int(countings["check"].max() if len(countings) else -1), int(checks.max())) + 1, bool)
    wanted[checks] = True
    number = countings["check"].to_numpy()
    own = (countings["role"] == "source").to_numpy() & wanted[number]
    counts_of = np.full(int(readings["reading_id"].max() if len(readings) else -1) + 2, np.nan)  # the last: of a reading that is not there
    counts_of[readings["reading_id"].to_numpy()] = readings["counts"].to_numpy()
    counts = counts_of[np.minimum(countings["reading_id"].to_numpy()[own], len(counts_of) - 1)]
    known = np.isfinite(counts)
    many = np.bincount(number[own][known], minlength=len(wanted))
    return np.bincount(number[own][known], weights=counts[known], minlength=len(wanted))[many > 0].astype(np.float64)


def _within(value: float | None, name: str) -> float | None:
    """The value brought within what can be asked for."""
    low, high, *_ = BOUNDS[name]
    return None if value is None else float(min(max(value, low), high))
