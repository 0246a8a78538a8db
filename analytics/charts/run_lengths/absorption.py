"""Mean time to absorption of a chain, without a subtraction.

Grassmann, Taksar & Heyman's elimination (1985) [from memory]: the chance of staying is never used, only the chances of
moving and of the signal. So mean run lengths of 10¹⁵ come out as exactly as those of 10.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def mean_steps(moves: Array, signals: Array) -> Array:
    """Mean number of steps to the signal from each state.

    moves[i, j]: probability of going from i to j (the diagonal is not used); signals[i]: probability of the signal.

    >>> mean_steps(np.array([[0.5, 0.5], [0.0, 0.75]]), np.array([0.0, 0.25]))
    array([6., 4.])
    """
    size = len(signals)
    work = np.array(moves, dtype=float)
    signal, reward, out = signals.astype(float).copy(), np.ones(size), np.empty(size)
    for k in range(size - 1, -1, -1):
        out[k] = signal[k] + work[k, :k].sum()
        share = work[:k, k] / out[k]
        work[:k, :k] += share[:, None] * work[k, :k]
        reward[:k] += share * reward[k]
        signal[:k] += share * signal[k]
    steps = np.empty(size)
    for k in range(size):
        steps[k] = (reward[k] + work[k, :k] @ steps[:k]) / out[k]
    return steps
