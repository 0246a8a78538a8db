"""Charts of counts, for backgrounds: c chart for equal counting times, Laney u′ where they differ or spread more.

A background varies more than counting alone (rooms, neighbours, weather), so limits from Poisson statistics would cry
wolf; Laney's u′ widens them by the spread that is really there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.charts.shewhart import MEAN_RANGE_OF_TWO, Limits

Floats = NDArray[np.float64]


def c_chart_limits(mean_counts: float, sigmas: float = 3.0) -> Limits:
    """Mean ± sigmas · √mean, the lower one not below 0.

    NIST/SEMATECH e-Handbook 6.3.3.1.

    >>> c_chart_limits(16)
    Limits(centre=16.0, low=4.0, high=28.0)
    """
    reach = sigmas * float(np.sqrt(mean_counts))
    return Limits(float(mean_counts), max(0.0, mean_counts - reach), mean_counts + reach)


@dataclass(frozen=True, slots=True)
class LaneyU:
    """Laney u′ chart of one series; rates in counts a unit of size.

    z: standardised by counting statistics alone; sigma_z: their spread between neighbours, 1 for pure counting.
    """

    centre: float
    sigma_z: float
    low: Floats
    high: Floats
    z: Floats


def laney_u(counts: Floats, sizes: Floats, sigmas: float = 3.0) -> LaneyU:
    """u′ chart: limits ū ± sigmas · √(ū/nᵢ) · σ_z with σ_z = (mean moving range of z)/1.128, z = (uᵢ − ū)/√(ū/nᵢ).

    counts: events of each sample; sizes: counting time or area of each, more than 0. Laney, Quality Engineering 2002
    [from memory]. Fewer than two samples, or no event at all: σ_z is NaN, and so are the limits.

    >>> chart = laney_u(np.array([10.0, 30.0, 12.0]), np.array([1.0, 2.0, 1.0]))
    >>> round(chart.centre, 3)
    13.0
    """
    centre = float(np.sum(counts) / np.sum(sizes))
    sd = np.sqrt(centre / sizes)
    if len(counts) < 2 or centre <= 0.0:
        blank = np.full(len(counts), np.nan)
        return LaneyU(centre, float("nan"), blank, blank, blank)
    z = (counts / sizes - centre) / sd
    sigma_z = float(np.mean(np.abs(np.diff(z))) / MEAN_RANGE_OF_TWO)
    reach = sigmas * sd * sigma_z
    return LaneyU(centre, sigma_z, np.maximum(0.0, centre - reach), centre + reach, z)
