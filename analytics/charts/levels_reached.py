"""Has the level passed a limit: the mean of the newest checks against the reference, on every row."""

from __future__ import annotations

import numpy as np

from analytics.baseline.rows import Floats
from analytics.charts.padded import Rectangle, Sums

LAGS = (2, 3, 5, 8, 13)
SURE = 4.5  # standard deviations from the reference, so that noise alone does not pass a limit


def passes_level(
    box: Rectangle,
    sums: Sums,
    base: Floats,
    reference: Floats,
    reference_variance: Floats,
    persistent: Floats,
    low: float,
    high: float,
) -> tuple[Floats, Floats]:
    """Ratios (low, high) above 1 where the mean of the newest 2, 3, 5, 8 or 13 checks lies beyond the limit.

    low, high: limits as log ratios to the reference (negative, positive). A mean counts only where it is also surely off
    the reference, and where it has at least two checks.
    """
    ref = box.spread(reference, np.nan) - base[:, None]
    ref_var = box.spread(reference_variance, np.inf)
    bridge = box.spread(persistent)
    best_low, best_high = np.zeros(box.shape), np.zeros(box.shape)
    for m in LAGS:
        if m >= box.shape[1]:
            break
        after = sums.weight[:, m:] - sums.weight[:, :-m]
        ok = (sums.checks[:, m:] - sums.checks[:, :-m] > 1.5) & (after > 0)
        safe = np.where(after > 0, after, 1.0)
        delta = (sums.weighted[:, m:] - sums.weighted[:, :-m]) / safe - ref[:, m:]
        variance = 1.0 / safe + ref_var[:, m:] + bridge[:, m:]
        sure = ok & (np.abs(delta) > SURE * np.sqrt(variance))
        if m == LAGS[0]:
            # Two checks alone must pass the limit by their own error.
            error = np.sqrt(variance)
            sure &= (delta + error < low) | (delta - error > high)
        best_low[:, m:] = np.maximum(best_low[:, m:], np.where(sure, delta / low, 0.0))
        best_high[:, m:] = np.maximum(best_high[:, m:], np.where(sure, delta / high, 0.0))
    return box.back(best_low), box.back(best_high)


def recent_deviation(
    box: Rectangle, sums: Sums, base: Floats, reference: Floats, checks: int = 6
) -> tuple[Floats, Floats]:
    """Mean of the newest ``checks`` rows against the reference, and its standard error; NaN where there are too few."""
    ref = box.spread(reference, np.nan) - base[:, None]
    deviation, error = np.full(box.shape, np.nan), np.full(box.shape, np.nan)
    m = min(checks, box.shape[1] - 1)
    if m >= 1:
        after = sums.weight[:, m:] - sums.weight[:, :-m]
        safe = np.where(after > 0, after, np.nan)
        deviation[:, m:] = (sums.weighted[:, m:] - sums.weighted[:, :-m]) / safe - ref[:, m:]
        error[:, m:] = 1.0 / np.sqrt(safe)
    return box.back(deviation), box.back(error)
