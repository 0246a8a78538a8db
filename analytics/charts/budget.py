"""From the false alarms a year that were chosen to the thresholds of each chart."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# Shift sizes watched at once, in half standard deviations of one check (k of the CUSUM literature).
SIZES_K = (0.25, 0.5, 1.1)
SHORTEST_DAYS = 1.0 / 24.0  # checks closer than an hour are not told apart from those of one sitting
# Share of the budget each family of rules may spend.
SHARES = {"response": 0.6, "scatter": 0.15, "background": 0.1, "window_shift": 0.08, "side": 0.05, "no_signal": 0.02}
# Six one-sided charts on the same readings give alarms that coincide: the joint in-control run length is longer than a
# sixth of one chart's by a factor that falls with the run length. (ARL0, factor), the latter as the threshold formula below
# needs it, so its own error for large sizes is in it as well. From ``rare_signals`` and from walking the six sums, which
# agree within 0.5 %; ``python tests/bench/coincidence.py`` makes the table anew.
COINCIDENCE = (
    (20.0, 1.895), (50.0, 1.677), (100.0, 1.562), (200.0, 1.478), (500.0, 1.384), (1e3, 1.322), (2e3, 1.267),
    (5e3, 1.206), (1e4, 1.178), (3e4, 1.134), (1e5, 1.104), (1e6, 1.055), (1e7, 1.030), (1e8, 1.010),
)

# Share of the response's part that goes to falls. A threshold in nats is best lower by ln of how much likelier its fault is
# beforehand; of the faults of a probe that move its response most lower it (some five in six: common practice, no source).
LOSS_SHARE = 5.0 / 6.0
# A unit begins with no past and all sums at rest, so with one threshold its first checks would hardly ever signal and part
# of the budget would never be spent. Allowed n/(n + 10) of the run length, the rate is near the same at every check number
# n from the seventh on (simulated with the core, 150 to 1700 checks between false alarms). The same end, one conditional
# rate throughout, as Hawkins, Qiu & Kang (J Qual Technol 2003, from memory) for a change point with unknown level.
YOUNG_CHECKS = 10.0
LEAST_RUN = 20.0  # checks; what the thresholds are known for


def checks_between_false_alarms(budget_per_year: float, share: str, interval_days: Floats) -> Floats:
    """In-control run length, in checks, that keeps a family's share of the budget at a cadence.

    ARL0 = (365.25 / interval) / (budget · share), never below 50.
    """
    per_year = 365.25 / np.clip(interval_days, SHORTEST_DAYS, 365.25)
    return np.asarray(np.maximum(per_year / (budget_per_year * SHARES[share]), 50.0))


def run_lengths_of_sides(arl0: Floats, check_number: Floats | float = np.inf) -> tuple[Floats, Floats]:
    """Run length, in checks, for which the thresholds of falls and of rises are those of a chart that favours neither.

    arl0: of both together. check_number: of the check within its unit, from 1; infinite: a unit whose past is long.
    Each side alone is one of two, so it may signal every 2·arl0 checks in an even chart; its own share, and the share of
    the run length that a young unit is allowed, come on top. Never below 20.

    >>> [round(float(one), 1) for one in run_lengths_of_sides(np.array(1000.0))]
    [600.0, 3000.0]
    >>> [round(float(one), 1) for one in run_lengths_of_sides(np.array(1000.0), 30.0)]
    [450.0, 2250.0]
    """
    young = 1.0 / (1.0 + YOUNG_CHECKS / np.asarray(check_number, float))
    low, high = (np.maximum(arl0 * young * 0.5 / share, LEAST_RUN) for share in (LOSS_SHARE, 1.0 - LOSS_SHARE))
    return np.asarray(low), np.asarray(high)


def threshold_nats(arl0: Floats, size_k: float, charts: float = 2 * len(SIZES_K)) -> Floats:
    """Threshold of one one-sided likelihood-ratio CUSUM so that ``charts`` of them together reach ``arl0``.

    Siegmund's corrected-diffusion approximation: ARL ≈ (e^{2kb} − 1 − 2kb)/(2k²), b = H + 1.166, H = h/(2k);
    solved for h with Newton steps. (D. Siegmund, Sequential Analysis, 1985; formula from memory, held against the
    computed run lengths in the tests.)

    >>> bool(abs(threshold_nats(np.array(1000.0), 0.5, charts=2) - 5.757) < 0.01)  # two-sided, ARL0 1000: 5.757
    True
    """
    wanted = np.asarray(arl0, float) * charts
    if charts > 2:
        at, factor = np.array(COINCIDENCE).T
        wanted = wanted / np.interp(np.log(np.maximum(arl0, 1.0)), np.log(at), factor)
    u = np.log(np.maximum(2.0 * size_k**2 * wanted, 2.0))
    for _ in range(6):
        grown = np.exp(u) - 1.0
        u -= (grown - u - 2.0 * size_k**2 * wanted) / np.maximum(grown, 1e-9)
    return np.asarray(np.maximum(u - 2.332 * size_k, 0.5))
