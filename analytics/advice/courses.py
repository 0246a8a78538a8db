"""How the newest checks of each series lie about its likeliest course: flat, a step, or a ramp from its onset.

About the course, since a steep loss leaves checks far below the median of those before, which is no bad contact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Floats, Ints
from analytics.charts.response import ResponseCharts
from analytics.drift.state import DriftState

RECENT_CHECKS = 30  # newest checks that are looked at
LEAST_FOR_COURSE, FAR_FROM_COURSE = 6, 4.0  # checks, standard deviations
ROUNDS = 3  # fits, each without what lay far off in the one before
SLIGHT = 1e-9  # added to the normal equations, so that a step before every check has an answer too


@dataclass(frozen=True)
class Courses:
    """Arrays over all units; those that were not asked for are 0 and NaN."""

    repeats_made: Ints  # 1 where repeats of one placement can be judged
    lone: Ints  # lone outliers among the newest checks
    far_below: Ints  # newest checks far below the course
    spread: Floats  # mean square of the newest checks about the course, in variances, clipped; NaN: too few checks


def about_courses(charts: ResponseCharts, state: DriftState, units: Ints) -> Courses:
    """Lone outliers and spread of these units, all at once: a weighted straight line x = a + b g, g the shape of the course.

    Sums go row by row within each unit, so that a unit's answer does not depend on which others were asked for.
    """
    rows, c = charts.rows, charts.corrected
    n = rows.units
    asked = np.zeros(n, bool)
    asked[units] = True
    repeats = np.bincount(rows.unit[charts.spread.ratio_repeats > 0], minlength=n) > 0
    last = np.flatnonzero(rows.last & asked[rows.unit])
    unit = rows.unit[last]
    lone = np.bincount(unit[charts.outliers.pending[last] & (_from_end(unit, n) < RECENT_CHECKS)], minlength=n)

    variance = c.noise[last]
    known = np.isfinite(variance)
    last, unit, variance = last[known], unit[known], variance[known]
    x, some = c.x[last], charts.outliers.admitted[last]
    shape = _shape_of_course(state, unit, rows.at_days[last])
    weight = np.where(some, 1.0 / variance, 0.0)
    z = np.zeros(len(last))
    for _ in range(ROUNDS):
        level, size = _line(unit, n, weight, shape, np.where(some, x, 0.0))
        z = (x - level[unit] - size[unit] * shape) / np.sqrt(variance)
        weight = np.where(some & (np.abs(z) < FAR_FROM_COURSE), 1.0 / variance, 0.0)

    enough = asked & (np.bincount(unit[some], minlength=n) >= LEAST_FOR_COURSE)
    newest = enough[unit] & (_from_end(unit, n) < RECENT_CHECKS)
    unit, z = unit[newest], z[newest]
    squares = np.bincount(unit, np.minimum(z**2, FAR_FROM_COURSE**2), minlength=n)
    checks = np.bincount(unit, minlength=n)
    return Courses(
        (repeats & asked).astype(np.int64),
        lone,
        np.bincount(unit[z < -FAR_FROM_COURSE], minlength=n),
        np.where(checks > 0, squares / np.maximum(checks, 1), np.nan),
    )


def _from_end(unit: Ints, units: int) -> Ints:
    """Place of each row counted from the newest of its unit, from 0; rows stand in the order of their units."""
    ends = np.cumsum(np.bincount(unit, minlength=units))
    return ends[unit] - 1 - np.arange(len(unit))


def _shape_of_course(state: DriftState, unit: Ints, at_days: Floats) -> Floats:
    """What the likeliest model of each row's unit moves by: 0 where flat; since the onset 1 for a step, years for a ramp."""
    best = state.trends.weight.argmax(axis=1) if len(state.trends.weight) else np.zeros(0, np.int64)
    every = np.arange(len(best))
    onset = state.trends.onset_days[every, best][unit]
    ramp = (state.trends.slope_var[every, best] > 0)[unit]
    since = at_days - onset
    return np.where(np.isfinite(onset), np.where(ramp, np.maximum(since, 0.0) / 365.0, (since >= 0).astype(float)), 0.0)


def _line(unit: Ints, units: int, weight: Floats, shape: Floats, x: Floats) -> tuple[Floats, Floats]:
    """Level and size of the weighted straight line of every unit; 0 where it has no weight."""

    def summed(values: Floats) -> Floats:
        return np.bincount(unit, weight * values, minlength=units).astype(np.float64)

    one, g, gg = summed(np.ones(len(x))) + SLIGHT, summed(shape), summed(shape * shape) + SLIGHT
    y, gy = summed(x), summed(shape * x)
    along = g / one
    rest = gg - along * g  # of the shape beside the level
    size = np.where(rest > 0, (gy - along * y) / np.where(rest > 0, rest, 1.0), 0.0)
    return (y - size * g) / one, size
