"""How many steps can be told at all within so many checks? An oracle beside the scoring of alarms.

It is told that a step came, when, how large, the level before and after it and the variance of each check, and it may spend the
whole budget of false alarms on that one size of loss. All windows of the probe speak together. What is left to it is chance:

    S = Σ (d·(x − L₀) − d²/2) / v  over the checks since the onset, signal where S > h,

h the threshold of the CUSUM of that size with one false alarm in so many checks as the budget allows (``run_lengths``).
Steps that it misses lie within the noise of the few checks there are: no method is to be expected to find them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from analytics.charts.response import ResponseCharts
from analytics.charts.run_lengths.thresholds import likelihood_threshold_nats
from analytics.errors import UserError

Floats = NDArray[np.float64]

YEAR_DAYS = 365.25
LARGEST_K = 4.0  # half a step in standard deviations of a check, beyond which one check tells


def oracle_tells(
    charts: ResponseCharts, probe: int, onset_day: float, size: float, last_day: float, budget: float
) -> bool:
    """Whether the oracle signals a step of one probe between its onset and ``last_day``.

    probe: code. size: natural log, negative. budget: false alarms a probe-year.
    """
    rows, c = charts.rows, charts.corrected
    sums: dict[float, float] = {}
    weight: dict[float, float] = {}
    interval = YEAR_DAYS
    for unit in np.flatnonzero(rows.unit_probe == probe):
        mine = np.arange(rows.unit_first[unit], rows.unit_first[unit + 1])
        mine = mine[rows.last[mine] & ~charts.outliers.lone[mine]]
        at = rows.first_days[mine]
        since = at >= onset_day
        now = since & (at <= last_day)
        if not now.any():
            continue
        if len(at) > 1:
            interval = min(interval, float(np.ptp(at)) / (len(at) - 1))
        v, x = c.noise[mine], c.x[mine]
        level = np.average(x - size * since, weights=1.0 / v)
        for day, gain, one in zip(np.round(at[now], 1), size * (x[now] - level) - 0.5 * size**2, 1.0 / v[now], strict=True):
            sums[day] = sums.get(day, 0.0) + gain * one
            weight[day] = weight.get(day, 0.0) + one
    if not sums:
        return False
    days = sorted(sums)
    k = 0.5 * abs(size) * float(np.sqrt(np.median([weight[day] for day in days])))
    return bool(np.cumsum([sums[day] for day in days]).max() > threshold(k, YEAR_DAYS / interval / budget))


def threshold(k: float, arl0: float) -> float:
    """Nats; where one check tells, that of the single check.

    >>> round(threshold(0.5, 1000.0), 2), threshold(6.0, 1000.0) < 0.0
    (5.07, True)
    """
    if k < LARGEST_K:
        try:
            return likelihood_threshold_nats(round(k, 2), float(f"{arl0:.2g}"), sides=1)
        except UserError:
            pass  # even a threshold of 0 signals more rarely
    return float(2.0 * k * (-ndtri(1.0 / arl0) - k))
