"""Cumulative sums over all series at once: tabular (sigma), and likelihood ratio with unequal variances (nats).

Arrays are [series, check] in time order; ``used`` marks the checks that count, an unused one carries the sums over.
Sums do not restart at a signal unless asked: what a signal means is decided elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SumState:
    """Where sums stand after the last check: their values, where each present rise began, and checks seen so far."""

    sums: Floats    # [..., series]
    since: Ints     # [..., series], number of the check after the last zero, counted over the used checks from 1
    checks: Ints    # [series], used checks so far


def walk(steps: Floats, used: Bools, state: SumState) -> tuple[Floats, Ints, SumState]:
    """S ← max(0, S + step) along the last axis, all leading axes and series at once.

    steps: [..., series, check]; used: [series, check]. Returns the sums and the onset (number of the check at which
    the present rise began; the next check's number where the sum is 0) at each check, and the state to go on from.
    The order of operations does not depend on how the checks are cut into blocks: same digits.
    """
    sums, since = np.empty(steps.shape), np.empty(steps.shape, dtype=np.int64)
    now, began, seen = state.sums, state.since, state.checks
    for t in range(steps.shape[-1]):
        here = used[:, t]
        seen = seen + here
        raised = np.maximum(0.0, now + steps[..., t])
        now = np.where(here, raised, now)
        began = np.where(here & (now == 0.0), seen + 1, began)
        sums[..., t], since[..., t] = now, began
    return sums, since, SumState(now, began, seen)


def fresh(shape: tuple[int, ...], start: float = 0.0) -> SumState:
    """Sums before the first check; shape [..., series]."""
    return SumState(np.full(shape, start), np.ones(shape, dtype=np.int64), np.zeros(shape[-1], dtype=np.int64))


@dataclass(frozen=True, slots=True)
class TabularCusum:
    """Both arms by [series, check]; signal −1 lower arm, +1 upper, 0 none; onsets as numbers of used checks from 1."""

    high: Floats
    low: Floats
    signal: NDArray[np.int8]
    rise_since: Ints
    fall_since: Ints
    state: SumState


def tabular_cusum(
    z: Floats, used: Bools, k: float, h: float, head_start: float = 0.0, reset: bool = False,
    state: SumState | None = None,
) -> TabularCusum:
    """Tabular CUSUM: S_high = max(0, S_high + z − k), S_low = max(0, S_low − z − k), signal above h.

    z: standardised residuals; k, h, head_start in sigma. reset: both arms start anew at the head start after a signal.
    Page 1954; NIST/SEMATECH e-Handbook 6.3.2.3. Where both arms signal at once (only from a high head start) the upper
    one is named.

    >>> chart = tabular_cusum(np.array([[1.0, 2.0, -3.0]]), np.ones((1, 3), bool), k=0.5, h=1.5)
    >>> chart.high, chart.low, chart.signal
    (array([[0.5, 2. , 0. ]]), array([[0. , 0. , 2.5]]), array([[ 0,  1, -1]], dtype=int8))
    """
    steps = np.stack((np.where(used, z, 0.0) - k, -np.where(used, z, 0.0) - k))
    now = fresh((2, z.shape[0]), head_start) if state is None else state
    if not reset:
        sums, since, now = walk(steps, used, now)
    else:
        sums, since = np.empty(steps.shape), np.empty(steps.shape, dtype=np.int64)
        for t in range(z.shape[1]):
            one = slice(t, t + 1)
            sums[..., one], since[..., one], now = walk(steps[..., one], used[:, one], now)
            over = (now.sums > h).any(axis=0) & used[:, t]
            now = SumState(np.where(over, head_start, now.sums), np.where(over, now.checks + 1, now.since), now.checks)
    signal = np.where(sums[0] > h, 1, np.where(sums[1] > h, -1, 0)) * used
    return TabularCusum(sums[0], sums[1], signal.astype(np.int8), since[0], since[1], now)


@dataclass(frozen=True, slots=True)
class LikelihoodCusum:
    """Sums in nats by [shift, direction, series, check], direction 0 low, 1 high; onsets as in ``walk``."""

    statistic: Floats
    since: Ints
    state: SumState


def likelihood_cusum(
    y: Floats, variance: Floats, used: Bools, shifts: Floats, state: SumState | None = None
) -> LikelihoodCusum:
    """CUSUM of the log likelihood ratio of a shift by d, with a known variance for each check.

    S = max(0, S + (d·y − d²/2)/v), for d of each size in both directions. Page 1954 [from memory]; with v = 1 it is 2k
    times the tabular CUSUM with k = d/2.

    y: residual from the reference, as a fraction (ln scale); variance: of y, same shape, more than 0 where used.
    shifts: sizes d > 0 as fractions, [shift] or [shift, series].

    >>> one = np.array([[0.02, 0.02]])
    >>> likelihood_cusum(one, one * 0 + 1e-4, np.ones((1, 2), bool), np.array([0.02])).statistic[0, 1]
    array([[2., 4.]])
    """
    sizes = shifts[:, None] * np.ones(y.shape[0]) if shifts.ndim == 1 else shifts
    d = np.stack((-sizes, sizes), axis=1)[..., None]
    weight = np.where(used, 1.0 / np.where(used, variance, 1.0), 0.0)
    steps = (d * np.where(used, y, 0.0) - 0.5 * d * d) * weight
    sums, since, now = walk(steps, used, fresh(d.shape[:-1]) if state is None else state)
    return LikelihoodCusum(sums, since, now)
