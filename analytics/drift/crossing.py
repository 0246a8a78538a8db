"""When does the true response pass its limit: first passage, averaged over what is not known.

For a level ℓ now, a slope v and a diffusion of variance q a day, the time of first passage of a Wiener process through a
distance a > 0 is inverse Gaussian: P(T ≤ t) = Φ((vt − a)/√(qt)) + exp(2va/q) Φ(−(vt + a)/√(qt)).
(v 0.1, s 1, distance 5: mean 50, variance 5000, median 25.71, P(T < 30) 0.5534.) Level and slope are drawn from
their posterior on a fixed lattice of normal scores, so the answer needs no random numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

HORIZON_DAYS = 5 * 365.2422
WANDER_PER_DAY = (0.01**2) / 365.2422  # variance of the random walk beside the slope: 1 % in a year
LATTICE = 9


def first_passage(t_days: Floats, distance: Floats, drift_per_day: Floats, variance_per_day: float) -> Floats:
    """P(T ≤ t) for first passage through ``distance`` (> 0; at or below 0 it has happened) at drift v.

    >>> round(float(first_passage(np.array(30.0), np.array(5.0), np.array(0.1), 1.0)), 7)
    0.5533893
    """
    from scipy.special import log_ndtr, ndtr

    t = np.maximum(t_days, 1e-9)
    root = np.sqrt(variance_per_day * t)
    ahead = ndtr((drift_per_day * t - distance) / root)
    log_back = 2.0 * drift_per_day * distance / variance_per_day + log_ndtr(-(drift_per_day * t + distance) / root)
    return np.asarray(np.where(distance <= 0, 1.0, ahead + np.exp(np.minimum(log_back, 0.0))))


@dataclass(frozen=True)
class PassageQuantiles:
    """Days from now for each unit; NaN where beyond the horizon."""

    p05: Floats
    p50: Floats
    p95: Floats
    within: dict[int, Floats]


def _scores() -> Floats:
    from scipy.special import ndtri

    return np.asarray(ndtri((np.arange(LATTICE) + 0.5) / LATTICE)) * 1.074  # brings the lattice's variance to 1


def passage_quantiles(
    weight: Floats,
    level: Floats,
    level_var: Floats,
    slope: Floats,
    slope_var: Floats,
    cross: Floats,
    limit: Floats,
    sign: Floats,
    within_days: tuple[int, ...] = (90, 182, 365),
    age_days: Floats | None = None,
    *,
    wander: float = WANDER_PER_DAY,
) -> PassageQuantiles:
    """Quantiles of the first passage for mixtures of (level, slope).

    weight … cross: [units, components], weights summing to 1. limit: [units] log limit. sign: −1 where the limit lies
    below, +1 above. age_days: [units] how old the level is: probabilities within d days count from now, quantiles from
    the level's own day. A component whose slope leads away passes only by wandering.
    """
    scores = _scores()
    units = len(limit)
    grid = np.concatenate([np.linspace(0.0, 120.0, 49)[1:], np.geomspace(122.5, HORIZON_DAYS, 110)])
    total = np.zeros((units, len(grid)))
    slope_sd = np.sqrt(slope_var)
    gain = np.where(slope_var > 0, cross / np.where(slope_var > 0, slope_var, 1.0), 0.0)
    rest_sd = np.sqrt(np.maximum(level_var - gain * cross, 0.0))
    for u in range(units):
        keep = weight[u] > 1e-4
        w = weight[u][keep] / weight[u][keep].sum()
        v = slope[u][keep][:, None, None] + slope_sd[u][keep][:, None, None] * scores[None, :, None]
        here = (
            level[u][keep][:, None, None]
            + gain[u][keep][:, None, None] * (v - slope[u][keep][:, None, None])
            + rest_sd[u][keep][:, None, None] * scores[None, None, :]
        )
        distance = sign[u] * (limit[u] - here)
        p = first_passage(grid[:, None, None, None], distance[None], (sign[u] * v + 0.0 * here)[None], wander)
        total[u] = (p.mean(axis=(2, 3)) * w).sum(axis=1)

    def quantile(q: float) -> Floats:
        out = np.full(units, np.nan)
        for u in range(units):
            reached = total[u] >= q
            if reached.any():
                j = int(np.argmax(reached))
                if j == 0:
                    out[u] = grid[0] * min(q / max(total[u, 0], 1e-12), 1.0)
                else:
                    rise = total[u, j] - total[u, j - 1]
                    out[u] = grid[j - 1] + (grid[j] - grid[j - 1]) * (q - total[u, j - 1]) / max(rise, 1e-12)
        return out

    ages = np.zeros(units) if age_days is None else age_days
    within = {d: np.array([np.interp(d + a, grid, row) for a, row in zip(ages, total, strict=True)]) for d in within_days}
    return PassageQuantiles(quantile(0.05), quantile(0.50), quantile(0.95), within)
