"""What a fleet's own records say of cadence, counts and spread: where the price of its budget begins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.charts.price import BOUNDS, LEAST_PLACING_PCT, YEAR_DAYS
from analytics.results import FleetAssessment

Z90 = 1.6448536269514722  # half width of a 90 % interval, in standard deviations
NEWEST_DAYS = YEAR_DAYS
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
    response = [one.index for one in assessment.series if one.quantity == "response"]
    points = assessment.points
    mine = points[points["series"].isin(response) & points["flag"].isin(["used", "reference"])]
    if mine.empty:
        return Basis(0, 0, None, None, None)
    mine = mine[mine["check_at"] >= mine["check_at"].max() - pd.Timedelta(days=NEWEST_DAYS)]
    gaps = _median_gaps_days(mine)
    own = assessment.countings[
        (assessment.countings["role"] == "source") & assessment.countings["check"].isin(mine["check"])
    ]
    counted = own.merge(readings[["reading_id", "counts"]], on="reading_id").groupby("check")["counts"].sum(min_count=1)
    counts = float(counted.median()) if len(counted) and np.isfinite(counted.median()) else None
    half = (mine["value_high"] - mine["value_low"]) / 2.0
    noise_pct = float((100.0 * half / Z90 / mine["value"]).median())
    placing = None
    if counts is not None and counts > 0 and np.isfinite(noise_pct):
        placing = float(np.sqrt(max(noise_pct**2 - 1e4 / counts, LEAST_PLACING_PCT**2)))
    return Basis(
        len(mine),
        int(mine["series"].nunique()),
        _within(float(gaps.median()) if len(gaps) else None, "cadence"),
        _within(counts, "counts"),
        _within(placing, "repositioning"),
    )


def _median_gaps_days(points: pd.DataFrame) -> pd.Series:
    """Median interval between checks, by series that has enough of them."""
    timed = points[["series", "check_at"]].sort_values(["series", "check_at"], kind="stable")
    timed["gap_days"] = timed.groupby("series")["check_at"].diff().to_numpy() / np.timedelta64(1, "D")
    found = timed.groupby("series")["gap_days"].agg(["median", "size"])
    return found["median"][found["size"] >= LEAST_CHECKS]


def _within(value: float | None, name: str) -> float | None:
    """The value brought within what can be asked for."""
    low, high, *_ = BOUNDS[name]
    return None if value is None else float(min(max(value, low), high))
