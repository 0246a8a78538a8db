"""The old habit: one fixed limit on each check, the same per cent however sure the check is; computed, not simulated.

A reading y ~ N(mean, σ²) of ln(response) signals beyond ln(1 − limit) or ln(1 + limit). With p the chance of it, a
constant level signals after 1/p checks on average, and a drift after Σ Π (1 − p), the sum of the chances of no signal yet.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

AT_ONCE = 4096  # checks a step of the sum
DONE = 1e-12


def _chance(loss: Array, limit_pct: float, noise: float) -> Array:
    """Chance that a check at this loss (natural log) lies beyond the limit."""
    low, high = -math.log1p(-limit_pct / 100.0), math.log1p(limit_pct / 100.0)
    return np.asarray(ndtr((loss - low) / noise) + ndtr((-loss - high) / noise), dtype=np.float64)


def checks_to_pass_limit(loss: float, *, limit_pct: float, noise: float) -> float:
    """Mean number of checks until one passes the limit, the level being ``loss`` (natural log) below the reference.

    noise: standard deviation of a check, natural log. ``inf`` where it practically never does.

    Shewhart limits of three sigma: 370.4 checks without a cause. Here 9.53 % is ln 1.1:

    >>> round(checks_to_pass_limit(0.0, limit_pct=1e-4, noise=1e-6 / 3), 1)
    370.4
    """
    chance = float(_chance(np.array(loss), limit_pct, noise))
    return 1.0 / chance if chance > 1e-300 else math.inf


def checks_to_pass_limit_by_drift(loss_per_check: float, *, limit_pct: float, noise: float) -> float:
    """The same for a level that falls by ``loss_per_check`` (natural log, more than 0) from check to check.

    A drift that is large against the noise passes the limit at the check at which its level does:

    >>> checks_to_pass_limit_by_drift(0.06, limit_pct=10.0, noise=1e-4)
    2.0
    """
    total, alive, done = 0.0, 1.0, 0
    while alive > DONE:
        loss: Array = loss_per_check * np.arange(done + 1.0, done + 1.0 + AT_ONCE)
        survives: Array = alive * np.multiply.accumulate(1.0 - _chance(loss, limit_pct, noise))
        total += alive + float(survives[:-1].sum())
        alive, done = float(survives[-1]), done + AT_ONCE
    return total
