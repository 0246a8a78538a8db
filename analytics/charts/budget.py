"""From the false alarms a year that were chosen to the thresholds of each chart."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# Shift sizes watched at once, in half standard deviations of one check (k of the CUSUM literature).
SIZES_K = (0.25, 0.5, 1.1)
# Share of the budget each family of rules may spend.
SHARES = {"response": 0.6, "scatter": 0.15, "background": 0.1, "window_shift": 0.08, "side": 0.05, "no_signal": 0.02}
# Six one-sided charts on the same readings give alarms that coincide: the joint in-control run length is longer than a
# sixth of one chart's by about this factor (simulated at ARL0 1000, see tests/bench).
COINCIDENCE = 1.45


def checks_between_false_alarms(budget_per_year: float, share: str, interval_days: Floats) -> Floats:
    """In-control run length, in checks, that keeps a family's share of the budget at a cadence.

    ARL0 = (365.25 / interval) / (budget · share), never below 50.
    """
    per_year = 365.25 / np.clip(interval_days, 0.25, 365.25)
    return np.asarray(np.maximum(per_year / (budget_per_year * SHARES[share]), 50.0))


def threshold_nats(arl0: Floats, size_k: float, charts: float = 2 * len(SIZES_K)) -> Floats:
    """Threshold of one one-sided likelihood-ratio CUSUM so that ``charts`` of them together reach ``arl0``.

    Siegmund's corrected-diffusion approximation: ARL ≈ (e^{2kb} − 1 − 2kb)/(2k²), b = H + 1.166, H = h/(2k);
    solved for h with Newton steps. (D. Siegmund, Sequential Analysis, 1985; formula from memory, held against the
    computed run lengths in the tests.)

    >>> bool(abs(threshold_nats(np.array(1000.0), 0.5, charts=2) - 5.757) < 0.01)  # two-sided, ARL0 1000: 5.757
    True
    """
    coincide = 1.0 if charts <= 2 else COINCIDENCE
    wanted = np.asarray(arl0, float) * charts / coincide
    u = np.log(np.maximum(2.0 * size_k**2 * wanted, 2.0))
    for _ in range(6):
        u -= (np.exp(u) - 1.0 - u - 2.0 * size_k**2 * wanted) / np.maximum(np.exp(u) - 1.0, 1e-9)
    return np.asarray(np.maximum(u - 2.332 * size_k, 0.5))
