"""A straight line or a step through the movement of a device, as compiled loops: thousands of short courses are asked."""

from __future__ import annotations

import numpy as np

from analytics.baseline.rows import Floats
from analytics.compiled import compiled

WITHIN_STEP = 0.003  # standard deviation of a step beyond what is stated (project choice), natural log


@compiled
def line_fit(at: Floats, value: Floats, sd: Floats) -> tuple[float, float, float, float]:
    """Weighted straight line: level at the first instant, slope per day, their standard errors (widened by misfit).

    All at one instant: slope 0 with an infinite error.
    """
    n, whole, mean_t, mean_y = len(at), 0.0, 0.0, 0.0
    for i in range(n):
        w = 1.0 / sd[i] ** 2
        whole += w
        mean_t += w * (at[i] - at[0])
        mean_y += w * value[i]
    mean_t /= whole
    mean_y /= whole
    sxx = sxy = misfit = 0.0
    for i in range(n):
        w, t = 1.0 / sd[i] ** 2, at[i] - at[0] - mean_t
        sxx += w * t**2
        sxy += w * t * (value[i] - mean_y)
    slope = sxy / sxx if sxx > 0 else 0.0
    for i in range(n):
        misfit += ((value[i] - mean_y - slope * (at[i] - at[0] - mean_t)) / sd[i]) ** 2
    misfit = max(misfit / max(n - 2, 1), 1.0)
    slope_sd = np.sqrt(misfit / sxx) if sxx > 0 else np.inf
    return mean_y - slope * mean_t, slope, np.sqrt(misfit / whole + (mean_t * slope_sd) ** 2), slope_sd


@compiled
def _misfit(value: Floats, sd: Floats, begin: int, end: int) -> float:
    """Weighted sum of squares about the weighted mean of the values from ``begin`` up to, not including, ``end``."""
    whole = mean = misfit = 0.0
    for i in range(begin, end):
        whole += 1.0 / sd[i] ** 2
        mean += value[i] / sd[i] ** 2
    mean /= whole
    for i in range(begin, end):
        misfit += ((value[i] - mean) / sd[i]) ** 2
    return misfit


@compiled
def stepped_rather(at: Floats, value: Floats, sd: Floats) -> bool:
    """Whether one step, two values on either side, accounts for the values better than a straight line."""
    n, line = len(at), 0.0
    start, slope, _, _ = line_fit(at, value, sd)
    for i in range(n):
        line += ((value[i] - start - slope * (at[i] - at[0])) / sd[i]) ** 2
    step = np.inf
    for k in range(2, n - 1):
        step = min(step, _misfit(value, sd, 0, k) + _misfit(value, sd, k, n))
    return bool(step < line)


@compiled
def largest_step(value: Floats, sd: Floats) -> tuple[int, float, float]:
    """The surest step with two values on either side: first value behind it, size, size over its standard error.

    Fewer than four values: place 0, nothing sure.
    """
    n, total, weighted = len(value), 0.0, 0.0
    for i in range(n):
        total += 1.0 / sd[i] ** 2
        weighted += value[i] / sd[i] ** 2
    before = below = size = sure = 0.0
    place = 0 * n
    for k in range(1, n - 1):
        before += 1.0 / sd[k - 1] ** 2
        below += value[k - 1] / sd[k - 1] ** 2
        if k < 2:
            continue
        step = (weighted - below) / (total - before) - below / before
        z = np.abs(step) / np.sqrt(1.0 / before + 1.0 / (total - before) + WITHIN_STEP**2)
        if z > sure:
            place, size, sure = k, step, z
    return place, size, sure
