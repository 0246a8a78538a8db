"""The simulator's own physics, written apart from ``analytics.counting`` so that one can be held against the other.

Nothing here is imported from the analysis, and nothing of the analysis may import this.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

# DDEP, recommended data (Laboratoire National Henri Becquerel): Co-57 271.81(4) d, Tc-99m 6.0067(10) h.
HALF_LIFE_DAYS = {"Co-57": 271.81, "Tc-99m": 6.0067 / 24.0}
# Photon energies in keV and photons per decay of Co-57; the 14 keV line never leaves the source capsule.
CO57_LINES = ((122.06, 0.855), (136.47, 0.107))
YEAR_DAYS = 365.2422
_FWHM_PER_SD = 2.0 * np.sqrt(2.0 * np.log(2.0))


def remaining(age_days: Floats, half_life_days: float) -> Floats:
    """Fraction of the activity left after ``age_days``: 2^(−age/T½).

    >>> round(float(remaining(np.array([271.81]), HALF_LIFE_DAYS["Co-57"])[0]), 12)
    0.5
    """
    return np.asarray(np.exp2(-np.asarray(age_days, dtype=float) / half_life_days), dtype=np.float64)


def window_share(low_kev: Floats, high_kev: Floats, gain: Floats, fwhm_pct: Floats, scatter_per_kev: Floats) -> Floats:
    """Pulses inside [low, high] keV for one decay of Co-57 seen with equal efficiency at both lines.

    share = Σ_j b_j [Φ((high − gE_j)/σ_j) − Φ((low − gE_j)/σ_j)] + s (high − low)
    b_j, E_j: intensity and energy of the lines; g: gain (1 = as set up); σ_j from ``fwhm_pct``, the full width at half
    maximum in per cent of the peak's place; s: flat scatter part, per keV and decay. All arrays broadcast.

    >>> at = lambda gain: window_share(*map(np.array, (109.854, 134.266, gain, 10.0, 0.0)))
    >>> [round(100 * float(at(1 + shift) / at(1.0) - 1), 1) for shift in (-0.05, -0.03, 0.03, 0.05)]
    [-3.2, 0.8, -6.2, -14.5]
    """
    total = scatter_per_kev * (high_kev - low_kev)
    for energy_kev, intensity in CO57_LINES:
        peak_kev = gain * energy_kev
        sd_kev = fwhm_pct / 100.0 * peak_kev / _FWHM_PER_SD
        total = total + intensity * (ndtr((high_kev - peak_kev) / sd_kev) - ndtr((low_kev - peak_kev) / sd_kev))
    return np.asarray(total, dtype=np.float64)


def seen_rate(true_rate_cps: Floats, dead_time_us: Floats, paralysable: NDArray[np.bool_]) -> Floats:
    """Rate that is registered: n/(1 + nτ) where non-paralysable, n·exp(−nτ) where paralysable.

    >>> seen_rate(np.array([25_000.0, 10_000.0]), np.array([10.0, 10.0]), np.array([False, True])).round(2).tolist()
    [20000.0, 9048.37]
    """
    busy = true_rate_cps * dead_time_us * 1e-6
    return np.asarray(
        np.where(paralysable, true_rate_cps * np.exp(-busy), true_rate_cps / (1.0 + busy)), dtype=np.float64
    )


def moved_away(distance_mm: float, by_mm: float) -> float:
    """Factor on the rate of a point source when it is moved away by ``by_mm``: (d/(d + by))².

    >>> round(100 * moved_away(10.0, 1.0) - 100, 1), round(100 * moved_away(30.0, -1.0) - 100, 1)
    (-17.4, 7.0)
    """
    return (distance_mm / (distance_mm + by_mm)) ** 2
