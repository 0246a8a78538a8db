"""When does the true response pass its limit: first passage, averaged over what is not known.

For a distance a > 0 to the limit, a drift v towards it and a diffusion of variance q a day, the time of first passage of
a Wiener process is inverse Gaussian: P(T ≤ t) = Φ((vt − a)/√(qt)) + exp(2va/q) Φ(−(vt + a)/√(qt)).
(v 0.1, s 1, distance 5: mean 50, variance 5000, median 25.71, P(T < 30) 0.5534.) A distance that is itself only known as
normal with variance L is integrated out in closed form, which leaves the same two terms:

    P(T ≤ t) = Φ((vt − a)/s) + exp(2va/q + 2v²L/q²) Φ(−(vt + a + 2vL/q)/s),   s² = qt + L

(up to the mass of distances below 0, which has passed; the sum is held at 1). Drift and onset come as a mixture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

HORIZON_DAYS = 5 * 365.2422
WANDER_PER_DAY = (0.005**2) / 365.2422  # variance of the random walk beside the slope: half a per cent in a year
WITHIN_DAYS = (90, 182, 365)
AT_ONCE = 4_000  # components worked on together, so that memory stays small


def first_passage(
    t_days: Floats, distance: Floats, drift_per_day: Floats, variance_per_day: Floats | float, distance_var: Floats | float = 0.0
) -> Floats:
    """P(T ≤ t) for first passage through ``distance`` (at or below 0 it has happened) at drift v. All broadcast.

    distance_var: variance of the distance. The answer never falls with t.

    >>> round(float(first_passage(np.array(30.0), np.array(5.0), np.array(0.1), 1.0)), 7)
    0.5533893
    """
    from scipy.special import log_ndtr, ndtr

    t, v, q = np.maximum(t_days, 1e-9), drift_per_day, variance_per_day
    spread = np.sqrt(q * t + distance_var)
    ahead = ndtr((v * t - distance) / spread)
    tilt = v * distance_var / q
    log_back = 2.0 * v / q * (distance + tilt) + log_ndtr(-(v * t + distance + 2.0 * tilt) / spread)
    passed = np.minimum(ahead + np.exp(np.minimum(log_back, 0.0)), 1.0)
    return np.asarray(np.where((distance <= 0) & (np.asarray(distance_var) == 0), 1.0, passed))


@dataclass(frozen=True)
class Paths:
    """A mixture of ways on which units may go to their limits; one row a component, rows of a unit together."""

    unit: Ints  # 0 … units − 1
    weight: Floats  # summing to 1 within a unit
    drift: Floats  # a day, towards the limit
    distance: Floats  # to the limit at the level's own day
    distance_var: Floats
    wander: Floats  # variance a day of the random walk beside the drift


@dataclass(frozen=True)
class PassageQuantiles:
    """Days from now for each unit; NaN where beyond the horizon."""

    p05: Floats
    p50: Floats
    p95: Floats
    within: dict[int, Floats]


def day_grid() -> Floats:
    """Days ahead at which the distribution is worked out: fine at first, then by equal factors, to the horizon."""
    return np.concatenate([np.linspace(0.0, 120.0, 25)[1:], np.geomspace(125.0, HORIZON_DAYS, 64)])


def passage_quantiles(
    paths: Paths, units: int, age_days: Floats | None = None, within_days: tuple[int, ...] = WITHIN_DAYS
) -> PassageQuantiles:
    """Quantiles of the first passage of every unit.

    age_days: [units] how old the level is: probabilities within d days count from now, quantiles from the level's own
    day. A component whose drift leads away passes only by wandering. A unit without components gets NaN.
    """
    grid = day_grid()
    total = np.zeros((units, len(grid)))
    for start in range(0, len(paths.unit), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        passed = first_passage(
            grid[None, :],
            paths.distance[part, None],
            paths.drift[part, None],
            paths.wander[part, None],
            paths.distance_var[part, None],
        )
        np.add.at(total, paths.unit[part], paths.weight[part, None] * passed)
    total = np.maximum.accumulate(total, axis=1)
    there = np.bincount(paths.unit, minlength=units) > 0
    ages = np.zeros(units) if age_days is None else age_days
    within = {d: np.where(there, _at(grid, total, d + ages), np.nan) for d in within_days}
    p05, p50, p95 = (_quantile(grid, total, q) for q in (0.05, 0.50, 0.95))
    return PassageQuantiles(p05, p50, p95, within)


def _scores(total: Floats) -> Floats:
    """Normal scores of a distribution: between the days of the grid it is drawn straight on this scale."""
    from scipy.special import ndtri

    return np.asarray(ndtri(np.clip(total, 1e-12, 1.0 - 1e-12)))


def _quantile(grid: Floats, total: Floats, share: float) -> Floats:
    """First day on which ``total`` [units, days] reaches ``share``; NaN where it does not."""
    reached = total >= share
    j = reached.argmax(axis=1)
    rows = np.arange(len(total))
    score = _scores(np.column_stack([total[rows, np.maximum(j - 1, 0)], total[rows, j], np.full(len(total), share)]))
    from_day = np.where(j > 0, grid[j - 1], 0.0)
    rise = np.maximum(score[:, 1] - score[:, 0], 1e-12)
    part = np.where(j > 0, (score[:, 2] - score[:, 0]) / rise, share / np.maximum(total[:, 0], 1e-12))
    return np.where(reached.any(axis=1), from_day + (grid[j] - from_day) * np.clip(part, 0.0, 1.0), np.nan)


def _at(grid: Floats, total: Floats, day: Floats) -> Floats:
    """``total`` [units, days] on one day for each unit; from 0 on day 0."""
    from scipy.special import ndtr

    days, scores = np.append(0.0, grid), _scores(np.column_stack([np.zeros(len(total)), total]))
    j = np.clip(np.searchsorted(days, day, side="right"), 1, len(days) - 1)
    rows = np.arange(len(total))
    part = np.clip((day - days[j - 1]) / (days[j] - days[j - 1]), 0.0, 1.0)
    first = part * total[rows, 0]  # before the first day of the grid there is no score to start from
    return np.asarray(np.where(j == 1, first, ndtr(scores[rows, j - 1] + part * (scores[rows, j] - scores[rows, j - 1]))))
