"""A drift so slow that many readings share nearly the same mean: they are taken in blocks by repeated doubling.

Over a block of n readings the transition matrix is M + εᵢ M′ + O(εᵢ²) with εᵢ the mean's distance from the block's
middle. With ∏ over the block taken to first order in ε,

    P = Mⁿ,  E = Σᵢ Mⁿ⁻¹⁻ⁱ M′ Mⁱ,  D = Σᵢ i Mⁿ⁻¹⁻ⁱ M′ Mⁱ,

and of each the sum over all shorter blocks, weighed by what counts as alive, for the sum of survival probabilities. Two
blocks join by P, E P + P E and P D + (D + n E) P. What is left out is of second order: λ″/λ · change²/24 with λ the
chance of a signal a reading. Where a slow drift signals, ln λ rises by about twice the chart's width (in sigma) a sigma,
so the change allowed within a block falls with the root of the width; and what is left is taken off by doing it again with
blocks half as long, whose error is a quarter (Richardson).
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analytics.charts.run_lengths.protocol import Flat

Array = NDArray[np.float64]
State = TypeVar("State")

# Change of the mean within a block, in sigma: at most, and times the root of the chart's width. The least number of
# readings for which blocks pay.
_MOST_CHANGE, _CHANGE = 0.01, 0.025
_LEAST = 384
# Blocks that a run in control takes at least.
_BLOCKS = 4
# Step of the numerical derivative M′.
_STEP = 1e-4


def doublings(drift: float, points: int, in_control: float) -> int:
    """Blocks are of two to this power readings; 0: the drift is too fast for blocks, or the run too short.

    points: of the chart's vector, about two for each sigma of its width and side, and sixteen more (``nodes_for``).
    in_control: mean run length without the drift; a run takes several blocks.
    """
    change = min(_MOST_CHANGE, _CHANGE / math.sqrt(max(points - 16, 1) / 1.8))
    block = min(change / abs(drift), in_control / _BLOCKS)
    return min(math.floor(math.log2(block)), 24) if block >= _LEAST else 0


def blocks_mean(chart: Flat[State], vector: Array, drift: float, first: int, tail: float, rounds: int) -> float:
    """Sum of the survival probabilities from this state on, the next reading having the mean drift·first.

    rounds: of ``doublings``.
    """
    coarse, fine = (_blocks_mean(chart, vector, drift, first, tail, one) for one in (rounds, rounds - 1))
    return fine + (fine - coarse) / 3.0


def _blocks_mean(chart: Flat[State], vector: Array, drift: float, first: int, tail: float, rounds: int) -> float:
    counted, total = chart.counted(), 0.0
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
