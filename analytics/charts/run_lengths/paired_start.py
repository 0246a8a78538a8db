"""The first readings of a two-sided CUSUM whose head starts add up to more than h + 2k.

While both arms are positive, S₊ = a + W − kt and S₋ = a − W − kt with W the sum of the t readings and a the head start:
only W is random. The walk leaves this part when an arm signals, or when one arm is at 0 (then the other alone
describes it, and the sum of both is at most h), or when both are positive with a sum of at most h + 2k.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.charts.run_lengths.quadrature import gauss_legendre, nodes_for, normal_density

Array = NDArray[np.float64]
Freed = tuple[Array, Array, Array]


@dataclass(frozen=True)
class Pair:
    """Masses at values of W after this many readings, both arms positive and not signalling."""

    readings: int
    points: Array
    masses: Array


def pair_step(pair: Pair, k: float, h: float, head_start: float, mean: float) -> tuple[Pair | None, Freed]:
    """One reading on: what is still tied, and (upper arm, lower arm, mass) of what is not any more."""
    readings = pair.readings + 1
    level = head_start - k * readings  # both arms, were W zero

    def piece(low: float, high: float) -> tuple[Array, Array]:
        if high <= low:
            return np.zeros(0), np.zeros(0)
        points, weights = gauss_legendre(low, high, nodes_for(high - low))
        return points, weights * (normal_density(points[:, None] - pair.points - mean) @ pair.masses)

    # Upper arm positive and not signalling, lower arm at 0; and the mirror image.
    up_points, up_masses = piece(max(level, -level), h - level)
    down_points, down_masses = piece(level - h, min(-level, level))
    both_points, both_masses = piece(max(-level, level - h), min(level, h - level))
    # Both arms at 0 in one reading is possible only where the level has fallen below 0.
    zero_points, zero_masses = piece(level, -level)
    upper = [level + up_points, np.zeros(len(down_points)), np.zeros(len(zero_points))]
    lower = [np.zeros(len(up_points)), level - down_points, np.zeros(len(zero_points))]
    masses = [up_masses, down_masses, zero_masses]
    tied: Pair | None = Pair(readings, both_points, both_masses)
    if 2.0 * level <= h + 2.0 * k or both_masses.sum() < 1e-16:
        upper.append(level + both_points)
        lower.append(level - both_points)
        masses.append(both_masses)
        tied = None
    return tied, (np.concatenate(upper), np.concatenate(lower), np.concatenate(masses))
