"""A drift so slow that many readings share nearly the same mean: they are taken in blocks by repeated doubling.

Over a block of n readings the transition matrix is M + εᵢ M′ + O(εᵢ²) with εᵢ the mean's distance from the block's
middle. With ∏ over the block taken to first order in ε,

    P = Mⁿ,  E = Σᵢ Mⁿ⁻¹⁻ⁱ M′ Mⁱ,  D = Σᵢ i Mⁿ⁻¹⁻ⁱ M′ Mⁱ,

and of each the sum over all shorter blocks, weighed by what counts as alive, for the sum of survival probabilities. Two
blocks join by P, E P + P E and P D + (D + n E) P. What is left out is of second order: λ″/λ · change²/24 with λ the
chance of a signal a reading, about 1e-5 for the changes of mean allowed here.
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analytics.charts.run_lengths.protocol import Flat

Array = NDArray[np.float64]
State = TypeVar("State")

# Change of the mean within a block, in sigma, and the least number of readings for which blocks pay.
_CHANGE = 1e-3
_LEAST = 128
# Step of the numerical derivative M′.
_STEP = 1e-4


def doublings(drift: float) -> int:
    """Blocks are of two to this power readings; 0: the drift is too fast for blocks."""
    block = _CHANGE / abs(drift)
    return min(math.floor(math.log2(block)), 24) if block >= _LEAST else 0


def blocks_mean(chart: Flat[State], vector: Array, drift: float, first: int, tail: float) -> float:
    """Sum of the survival probabilities from this state on, the next reading having the mean drift·first."""
    rounds, counted, total = doublings(drift), chart.counted(), 0.0
    size, alive, begin = 2**rounds, float(counted @ vector), first
    middle = 0.5 * (size - 1)
    while True:
        block, sums = _block(chart, drift * (begin + middle), drift, middle, rounds)
        total += float(sums @ vector)
        vector = block @ vector
        left = float(counted @ vector)
        if left <= 0.0 or (left < alive and left * alive / (alive - left) * size < tail * total):
            return total
        alive, begin = left, begin + size


def _block(chart: Flat[State], mean: float, drift: float, middle: float, rounds: int) -> tuple[Array, Array]:
    """Transition matrix of a block around this mean, and the row that sums its survival probabilities."""
    p = chart.matrix(mean)
    e = (chart.matrix(mean + _STEP) - chart.matrix(mean - _STEP)) / (2.0 * _STEP)
    d = np.zeros_like(p)
    sum_p, sum_e, sum_d = chart.counted(), np.zeros(len(p)), np.zeros(len(p))
    n = 1
    for _ in range(rounds):
        sum_d = sum_d + sum_p @ d + (sum_d + n * sum_e) @ p
        sum_e = sum_e + sum_p @ e + sum_e @ p
        sum_p = sum_p + sum_p @ p
        d = p @ d + (d + n * e) @ p
        e = p @ e + e @ p
        p = p @ p
        n *= 2
    return p + drift * (d - middle * e), sum_p + drift * (sum_d - middle * sum_e)
