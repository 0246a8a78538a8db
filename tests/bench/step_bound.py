"""How many steps can be told at all within so many checks? An oracle beside the scoring of alarms.

It is told that a step came, when, how large, the level before and after it and the variance of each check, and it may spend the
whole budget of false alarms on that one size of loss. All windows of the probe speak together. What is left to it is chance:

    S = Σ (d·(x − L₀) − d²/2) / v  over the checks since the onset, signal where S > h,

h the threshold of the CUSUM of that size with one false alarm in so many checks as the budget allows (``run_lengths``).
Steps that it misses lie within the noise of the few checks there are: no method is to be expected to find them.

A second oracle is told the day and the size but not the level: it has the mean of the checks before the onset, as any method has,

    S = Σ over windows (d·Δ − d²/2) / (1/W_before + 1/W_since),   Δ = mean since the onset − mean before it,  W = Σ 1/v,

with the share of the budget that falls of the response have when scatter, background, window and rises are watched beside them.
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
    charts: ResponseCharts, probe: int, onset_day: float, size: float, last_day: float, budget: float, *, told_level: bool = True
) -> bool:
    """Whether the oracle signals a step of one probe between its onset and ``last_day``.

    probe: code. size: natural log, negative. budget: false alarms a probe-year. told_level: else the checks before tell it.
    """
    rows, c = charts.rows, charts.corrected
    seen: list[tuple[Floats, Floats, Floats]] = []  # of each window: days since the onset, its sum, weight of each check
    interval = YEAR_DAYS
    for unit in np.flatnonzero(rows.unit_probe == probe):
        mine = np.arange(rows.unit_first[unit], rows.unit_first[unit + 1])
        mine = mine[rows.last[mine] & ~charts.outliers.lone[mine]]
        at = rows.first_days[mine]
        since = at >= onset_day
        now = since & (at <= last_day)
        if not now.any() or (not told_level and since.all()):
            continue
        if len(at) > 1:
            interval = min(interval, float(np.ptp(at)) / (len(at) - 1))
        w, x = 1.0 / c.noise[mine], c.x[mine]
        after = np.cumsum(w[now])
        if told_level:
            level = np.average(x - size * since, weights=w)
            score = np.cumsum((size * (x[now] - level) - 0.5 * size**2) * w[now])
        else:
            moved = np.cumsum(w[now] * x[now]) / after - np.average(x[~since], weights=w[~since])
            score = (size * moved - 0.5 * size**2) / (1.0 / after + 1.0 / w[~since].sum())
        seen.append((np.round(at[now], 1), score, w[now]))
    if not seen:
        return False
    days = np.unique(np.concatenate([one[0] for one in seen]))
    total, weight = np.zeros(len(days)), np.zeros(len(days))
    for day, score, each in seen:
        newest = np.searchsorted(day, days, side="right") - 1
        total += np.where(newest >= 0, score[newest], 0.0)
        weight += np.bincount(np.searchsorted(days, day), each, len(days))
    k = 0.5 * abs(size) * float(np.sqrt(np.median(weight)))
    return bool(total.max() > threshold(k, YEAR_DAYS / interval / budget))


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
