"""Has the level passed a limit: the mean of the newest checks against the reference, on every row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Floats, Rows
from analytics.charts.running import Sums

LAGS = (2, 3, 5, 8, 13)
SURE = 4.5  # standard deviations from the reference, so that noise alone does not pass a limit


@dataclass(frozen=True)
class Newest:
    """Mean of the newest checks of each row; arrays per row, NaN or 0 checks where there are fewer."""

    mean: Floats
    variance: Floats
    checks: Floats


def newest(rows: Rows, sums: Sums, base: Floats, checks: int) -> Newest:
    """Mean of the newest ``checks`` checks, the one under way among them; whole checks, however many rows they have.

    Held back or left out checks count as read but do not speak. Fewer checks before it: NaN.
    """
    last = rows.last_rows
    number = rows.number
    enough = rows.ordinal >= checks
    before = last[np.maximum(number - checks, 0)] if len(last) else number

    def inside(total: Floats) -> Floats:
        return np.asarray(total - total[before]) if len(total) else total

    weight = inside(sums.weight)
    told = enough & (weight > 0)
    safe = np.where(told, weight, np.nan)
    return Newest(
        inside(sums.weighted) / safe + base[rows.unit], 1.0 / safe, np.where(told, inside(sums.checks), 0.0)
    )


def passes_level(
    levels: list[Newest],
    reference: Floats,
    reference_variance: Floats,
    persistent: Floats,
    low: float,
    high: float,
) -> tuple[Floats, Floats]:
    """Ratios (low, high) above 1 where the mean of the newest 2, 3, 5, 8 or 13 checks lies beyond the limit.

    levels: ``newest`` for each of ``LAGS``. low, high: limits as log ratios to the reference (negative, positive). A mean
    counts only where it is also surely off the reference, and where at least two of its checks speak.
    """
    best_low, best_high = np.zeros(len(reference)), np.zeros(len(reference))
    for m, late in zip(LAGS, levels, strict=True):
        delta = late.mean - reference
        error = np.sqrt(late.variance + reference_variance + persistent)
        sure = (late.checks > 1.5) & (np.abs(delta) > SURE * error)
        if m == LAGS[0]:
            # Two checks alone must pass the limit by their own error.
            sure &= (delta + error < low) | (delta - error > high)
        best_low = np.maximum(best_low, np.where(sure, delta / low, 0.0))
        best_high = np.maximum(best_high, np.where(sure, delta / high, 0.0))
    return best_low, best_high


def recent_deviation(
    rows: Rows, sums: Sums, base: Floats, reference: Floats, checks: int = 6
) -> tuple[Floats, Floats]:
    """Mean of the newest ``checks`` checks against the reference, and its standard error; NaN where there are too few."""
    late = newest(rows, sums, base, checks)
    return late.mean - reference, np.sqrt(late.variance)
