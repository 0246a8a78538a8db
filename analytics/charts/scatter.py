"""Is a series more (or less) scattered than counting and repositioning explain?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.charts.cusum import SumState, fresh, walk

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

# Reference value of the scatter chart, between 1 (as expected) and the mean square of a series half as wide again as it
# should be: the z² at which spreads of 1 and 1.5 sigma are equally likely is 2 ln 1.5/(1 − 1/1.5²) = 1.4597.
REFERENCE_VALUE = 1.4597


@dataclass(frozen=True, slots=True)
class ScatterCusum:
    """By [series, check]; onsets as numbers of used checks from 1."""

    statistic: Floats
    since: Ints
    state: SumState


def scatter_cusum(
    z: Floats, used: Bools, k: float = REFERENCE_VALUE, clip: float | None = None, state: SumState | None = None
) -> ScatterCusum:
    """CUSUM of squares: S = max(0, S + min(|z|, clip)² − k), a signal where it passes its threshold.

    z: residuals from a local level (else a drift shows as scatter), standardised by counting and repositioning. clip:
    a single blunder counts no more than this. Thresholds: ``run_length.scatter_threshold``.

    >>> scatter_cusum(np.array([[2.0, 0.0, 9.0]]), np.ones((1, 3), bool), k=1.5, clip=3.0).statistic
    array([[2.5, 1. , 8.5]])
    """
    clean = np.where(used, z, 0.0)
    size = np.abs(clean) if clip is None else np.minimum(np.abs(clean), clip)
    sums, since, now = walk(size * size - k, used, fresh(z.shape[:1]) if state is None else state)
    return ScatterCusum(sums, since, now)


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Chi-square of the repeats of each check, and the chance of one as low, or as high, from counting alone."""

    chi_square: Floats
    degrees: Ints
    p_low: Floats
    p_high: Floats


def repeat_dispersion(counts: Floats, used: Bools) -> Dispersion:
    """Σ(n − n̄)²/n̄ over the repeats of each check, against chi-square with (repeats − 1) degrees of freedom.

    counts: raw counts of equal counting time, [check, repeat]; corrected or rated values have another distribution.
    NaN where fewer than two repeats are used or no count was seen. Too low is a fault as well (a pulser, a stuck
    reading). Knoll, Radiation Detection and Measurement, ch. 3 [from memory].

    >>> result = repeat_dispersion(np.array([[100.0, 100.0, 130.0]]), np.ones((1, 3), bool))
    >>> result.chi_square.round(3), result.degrees, result.p_high.round(3)
    (array([5.455]), array([2]), array([0.065]))
    """
    from scipy.special import chdtr, chdtrc

    repeats = used.sum(axis=1)
    total = np.where(used, counts, 0.0).sum(axis=1)
    enough = (repeats >= 2) & (total > 0.0)
    mean = np.where(enough, total, np.nan) / np.maximum(repeats, 1)
    spread = np.where(used, (counts - mean[:, None]) ** 2, 0.0).sum(axis=1)
    chi_square = spread / mean
    degrees = np.where(enough, repeats - 1, 0).astype(np.int64)
    valid = np.where(enough, degrees, 1)
    return Dispersion(chi_square, degrees, np.asarray(chdtr(valid, chi_square)), np.asarray(chdtrc(valid, chi_square)))
