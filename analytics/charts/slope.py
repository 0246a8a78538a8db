"""Does a unit drift from the first check of its reference on? The straight line through all its checks so far.

    x = a + b·t,   z = (|b| − δ₀/T) / s(b),   s²(b) = 1/Σ w(t − t̄)² + L²·p

w = 1/v, T the time since the first check, δ₀ the dead band, p the variance of the present source's bridge and L the lever
of the readings on it. The core compares a level with an earlier level; where a drift began before there was one, the line
sees it a third sooner. It is asked while the reference forms and for as long again; after that the core is as quick.

After a service that was to end a loss there is one question more, asked in one direction: does it go on? A yes is likely
enough beforehand (in the trade's experience a service in four does not hold: common practice, no source) to be believed
on less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints, Rows
from analytics.charts.running import accumulated

LEAST_CHECKS = 6
# Probability, per false alarm a year that was chosen, that a sound unit ever signals here; and after a service.
RISK_PER_BUDGET, RISK_AFTER_SERVICE_PER_BUDGET = 0.08, 0.8
# (probability, z): largest one-sided z of the line after 6, 7 … 40 equally spaced checks (simulated, 40 000 units).
LARGEST = ((0.2, 1.95), (0.1, 2.32), (0.05, 2.62), (0.02, 2.95), (0.01, 3.18), (0.005, 3.39), (0.002, 3.65), (0.0005, 4.05))


@dataclass(frozen=True)
class SlopeChart:
    """Arrays per row."""

    z: Floats  # signed, dead band taken off; 0 where it is not asked
    change: Floats  # what the line fell or rose by since the first check, natural log


def slope_limit(risk: float) -> float:
    """Limit of a one-sided z that a sound unit ever passes with this probability.

    >>> slope_limit(0.02), slope_limit(0.01) < slope_limit(0.007) < slope_limit(0.005)
    (2.95, True)
    """
    p, z = np.array(LARGEST)[::-1].T
    return float(np.interp(np.log(risk), np.log(p), z))


def slope_chart(
    rows: Rows, x: Floats, noise: Floats, persistent: Floats, admitted: Bools, pending: Bools, most_checks: int, dead_band: float
) -> SlopeChart:
    """The line of every unit at every row; fewer than six checks, or more than ``most_checks``, are not asked."""
    asked = np.flatnonzero(rows.ordinal < most_checks)
    z, change = np.zeros(len(x)), np.zeros(len(x))
    if len(asked):
        z[asked], change[asked] = _lines(
            rows.some(asked), x[asked], noise[asked], persistent[asked], admitted[asked], pending[asked], dead_band
        )
    return SlopeChart(z, change)


def _lines(
    rows: Rows, x: Floats, noise: Floats, persistent: Floats, admitted: Bools, pending: Bools, dead_band: float
) -> tuple[Floats, Floats]:
    """The same, for rows that are all asked."""
    begin = rows.unit_first[:-1][rows.unit]
    t = rows.first_days - rows.first_days[begin]
    w, y, one = np.where(admitted, 1.0 / noise, 0.0), x - x[begin], np.where(admitted, 1.0, 0.0)
    sw, st, stt, sy, sty, checks = accumulated(rows, admitted, pending, (w, w * t, w * t * t, w * y, w * t * y, one))
    safe = np.where(sw > 0, sw, 1.0)
    sxx = stt - st * st / safe
    told = (checks > LEAST_CHECKS - 0.5) & (sxx > 1e-6 * np.maximum(stt, 1e-12))
    sxx = np.where(told, sxx, 1.0)
    slope = np.where(told, (sty - st * sy / safe) / sxx, 0.0)
    lever = _lever(rows, sw, st, st / safe) / sxx
    error = np.sqrt(1.0 / sxx + lever**2 * persistent)
    span = np.maximum(t, 1.0)
    z = np.maximum(np.abs(slope) - dead_band / span, 0.0) / error
    return np.where(told, np.sign(slope) * z, 0.0), slope * span


def _lever(rows: Rows, sw: Floats, st: Floats, mean_t: Floats) -> Floats:
    """Σ w(t − t̄) over the readings since the present source came into use."""
    new = np.ones(len(sw), bool)
    new[1:] = (rows.source[1:] != rows.source[:-1]) | (rows.unit[1:] != rows.unit[:-1])
    start = np.maximum.accumulate(np.where(new, np.arange(len(sw)), 0))
    first = rows.unit_first[:-1][rows.unit]
    before = np.where(start > first, start - 1, 0)
    w_before, t_before = (np.where(start > first, one[before], 0.0) for one in (sw, st))
    return np.asarray((st - t_before) - mean_t * (sw - w_before))


def after_service(rows: Rows, opened: list[tuple[int, str]], ends: Floats) -> Ints:
    """Direction in which the loss before a service would go on, by unit: −1, +1, or 0 where there was none.

    opened: unit and direction of every level alarm that was open when a new reference ended its unit.
    """
    out = np.zeros(rows.units, np.int64)
    for unit, direction in opened:
        after = unit + 1
        if after < rows.units and rows.unit_series[after] == rows.unit_series[unit] and np.isfinite(ends[unit]):
            out[after] = -1 if direction == "low" else 1
    return out
