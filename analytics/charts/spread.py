"""Has the scatter of a series grown beyond counting and placing, and do lone outliers come too often?

Scatter: S = max(0, S + z² − k) on residuals from the local level, z clipped so that one blunder cannot signal alone.
k = r·ln r/(r − 1) for a variance ratio r (the likelihood-ratio CUSUM of a normal variance); r = 2.1 gives k ≈ 1.42.
Outliers: a Bernoulli CUSUM for a rate of 8 % against 1 %.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Rows

VARIANCE_RATIO = 2.5
CLIP_Z = 3.0
RATE_SOUND, RATE_FAULTY = 0.01, 0.10


@dataclass(frozen=True)
class SpreadChart:
    """Arrays per row; a ratio above 1 signals."""

    ratio_scatter: Floats
    ratio_outliers: Floats
    outliers: Floats  # lone or unconfirmed outliers of the unit so far
    extra_pct: Floats  # spread beyond counting and placing over the last twelve checks, per cent


def reset_cusum(step: Floats) -> Floats:
    """S_i = max(0, S_{i−1} + step_i) along axis 1, as C_i − min(0, min_{j≤i} C_j).

    >>> reset_cusum(np.array([[1.0, -3.0, 2.0]])).tolist()
    [[1.0, 0.0, 2.0]]
    """
    total = np.cumsum(step, axis=1)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total, axis=1), 0.0))


def spread_chart(rows: Rows, z_local: Floats, noise: Floats, far: Bools, placing_uncertainty: Floats, arl0: Floats) -> SpreadChart:
    """Run both charts over all units.

    z_local: residual from the local level, standardised. far: beyond the outlier limit, confirmed or not.
    placing_uncertainty: relative standard error of the variance per row (its own uncertainty lowers z²).
    """
    known = np.isfinite(z_local)
    z = np.clip(np.where(known, z_local, 0.0), -CLIP_Z, CLIP_Z)
    r = VARIANCE_RATIO
    k = r * np.log(r) / (r - 1.0)
    slope = 0.5 * (1.0 - 1.0 / r)  # nats per unit of S
    # Variance not better known than its standard error: judge against the upper end.
    square = z**2 / (1.0 + placing_uncertainty)
    statistic = _walk(rows, np.where(known, square - k, 0.0))
    # In nats the threshold grows with ln(ARL0); 3.8 nats stand for 1000 checks (methods, scatter: h = 14.544 at k = 1.4597).
    threshold = np.maximum(5.5 + np.log(arl0 / 1000.0), 3.0) / slope
    hit = np.log(RATE_FAULTY / RATE_SOUND)
    miss = np.log((1.0 - RATE_FAULTY) / (1.0 - RATE_SOUND))
    rate = _walk(rows, np.where(known, np.where(far, hit, miss), 0.0))
    rate_threshold = np.maximum(np.log(arl0) - 2.0, 2.0 * hit + 0.01)
    excess = np.where(known, np.minimum(z_local**2, 400.0) - 1.0, 0.0) * noise
    return SpreadChart(
        statistic / threshold, rate / rate_threshold, _walk(rows, np.where(far & known, 1.0, 0.0)),
        100.0 * np.sqrt(np.maximum(_recent_mean(rows, excess, known), 0.0)),
    )


def _walk(rows: Rows, step: Floats) -> Floats:
    """The reset CUSUM over the checks of each unit; a row that is not the last of its check is a try from the check before."""
    last = np.flatnonzero(rows.last)
    most = int(rows.ordinal.max(initial=-1)) + 1
    steps = np.zeros((rows.units, most))
    steps[rows.unit[last], rows.ordinal[last]] = step[last]
    walked = reset_cusum(steps)
    before = np.where(rows.ordinal > 0, walked[rows.unit, np.maximum(rows.ordinal - 1, 0)], 0.0) if most else step
    return np.asarray(np.maximum(before + step, 0.0))


def _recent_mean(rows: Rows, value: Floats, known: Bools, window: int = 12) -> Floats:
    """Mean over the last twelve checks of the unit, per row (the last row of each check serves for all its rows)."""
    last = np.flatnonzero(rows.last)
    most = int(rows.ordinal.max(initial=-1)) + 1
    total, number = np.zeros((rows.units, most + 1)), np.zeros((rows.units, most + 1))
    total[rows.unit[last], rows.ordinal[last] + 1] = np.where(known, value, 0.0)[last]
    number[rows.unit[last], rows.ordinal[last] + 1] = known[last].astype(float)
    total, number = np.cumsum(total, axis=1), np.cumsum(number, axis=1)
    end, begin = rows.ordinal + 1, np.maximum(rows.ordinal + 1 - window, 0)
    n = number[rows.unit, end] - number[rows.unit, begin]
    return np.asarray((total[rows.unit, end] - total[rows.unit, begin]) / np.maximum(n, 1.0))
