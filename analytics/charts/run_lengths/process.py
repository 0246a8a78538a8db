"""What every chart's run length has in common: shifts, drifts, a start in control, and quantiles.

A chart is seen as a Markov process that is killed by its signal. Its state is a (sub-)distribution over the chart's
statistic; one step takes it through one reading x ~ N(mean, 1). The mean run length is the sum of the survival
probabilities, E[T] = P(T > 0) + P(T > 1) + …, the signalling reading counted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import count
from typing import TypeVar

from analytics.charts.run_lengths.protocol import Flat
from analytics.charts.run_lengths.slow_drift import blocks_mean, doublings

State = TypeVar("State")

# The part of the sum that a drift's tail may leave out, relative to the sum.
_TAIL = 1e-10
# Drifts below this may be taken in blocks of readings.
_SLOW = 1e-4


def mean_run_lengths(
    chart: Flat[State], shifts: Sequence[float], drifts: Sequence[float], *, after: float, drift_from: int
) -> list[float]:
    """Mean run lengths under each shift, then under each drift (mean drift·t, t = drift_from, drift_from + 1, …)."""
    origin = _origin(chart, after)
    rows = [chart.remaining(origin, shift) for shift in shifts]
    return rows + [_drift_mean(chart, origin, drift, drift_from) for drift in drifts]


def _origin(chart: Flat[State], after: float) -> State:
    """The state given no signal in ``after`` readings of mean 0."""
    if math.isinf(after):
        return chart.steady()
    state = chart.start()
    for _ in range(int(after)):
        state = chart.step(state, 0.0)
        state = chart.scaled(state, 1.0 / chart.mass(state))
    return state


def _drift_mean(chart: Flat[State], origin: State, drift: float, drift_from: int) -> float:
    if drift == 0.0:
        return chart.remaining(origin, 0.0)
    if not chart.certain(drift):
        return math.inf
    state, alive, total = origin, 1.0, 0.0
    rounds = doublings(drift, len(chart.counted()), chart.remaining(origin, 0.0)) if abs(drift) < _SLOW else 0
    for t in count(drift_from):
        vector = chart.vector(state) if rounds and t > drift_from else None
        if vector is not None:
            return total + blocks_mean(chart, vector, drift, t, _TAIL, rounds)
        total += alive
        state = chart.step(state, drift * t)
        left = chart.mass(state)
        lost = alive - left
        # The hazard only grows from here on, so what is left lasts less than left/hazard readings.
        if left <= 0.0 or (lost > 0.0 and t > drift_from and left * alive / lost < _TAIL * total):
            break
        alive = left
    return total


def run_length_quantiles(chart: Flat[State], mean: float, probabilities: Sequence[float]) -> list[int]:
    """Smallest n with P(T ≤ n) ≥ p for each p, all readings having this mean.

    The survival after n readings is found by repeated squaring of the transition matrix: long runs cost no more.
    """
    state, early = chart.start(), [1.0]
    while True:
        state = chart.step(state, mean)
        early.append(chart.mass(state))
        vector = chart.vector(state)
        if vector is not None:
            break
    counted, powers = chart.counted(), [chart.matrix(mean)]
    answers: list[int] = []
    for probability in probabilities:
        target = 1.0 - probability
        reached = next((n for n, alive in enumerate(early) if alive <= target), None)
        if reached is not None:
            answers.append(reached)
            continue
        while counted @ powers[-1] @ vector > target:
            powers.append(powers[-1] @ powers[-1])
        now, done = vector, 0
        for j in reversed(range(len(powers))):
            ahead = powers[j] @ now
            if counted @ ahead > target:
                now, done = ahead, done + 2**j
        answers.append(len(early) - 1 + done + 1)
    return answers
