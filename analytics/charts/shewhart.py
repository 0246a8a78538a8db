"""Shewhart charts: standardised residuals against fixed limits, Western Electric run rules, individuals.

All functions work on arrays [series, check]; ``used`` marks the checks that count. An unused check changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Sides = NDArray[np.int8]

# Mean range of two normal readings over their spread, 2/√π, as the control chart tables print it (d2).
MEAN_RANGE_OF_TWO = 1.128


@dataclass(frozen=True, slots=True)
class Limits:
    """Centre and limits of a chart, in the unit of what is charted."""

    centre: float
    low: float
    high: float


def standardise(residual: Floats, variance: Floats) -> Floats:
    """Residual over its standard deviation; both in the same unit, any shape.

    NaN where either is NaN or the variance is not positive: such a check carries no information.

    >>> standardise(np.array([0.02, 0.1]), np.array([1e-4, 0.0]))
    array([ 2., nan])
    """
    sd = np.sqrt(np.where(variance > 0.0, variance, np.nan))
    return np.asarray(residual / sd)


def outside_limits(z: Floats, used: Bools, limit: float = 3.0) -> Sides:
    """−1 below −limit, +1 above +limit, else 0, for each check.

    >>> outside_limits(np.array([[0.0, -3.5, 4.0]]), np.array([[True, True, False]]))
    array([[ 0, -1,  0]], dtype=int8)
    """
    return ((used & (z > limit)).astype(np.int8) - (used & (z < -limit)).astype(np.int8)).astype(np.int8)


@dataclass(frozen=True, slots=True)
class RunRules:
    """Signals of the rules in force: −1/0/+1 by [rule, series, check], in the order of ``rules``.

    state: [rule, side, series, lag], the readings the next block of checks has to remember.
    """

    rules: tuple[int, ...]
    signal: Sides
    state: NDArray[np.bool_]


def run_rules(
    z: Floats, used: Bools, rules: Sequence[int] = (1, 2, 3, 4), limit: float = 3.0, warning: float = 2.0,
    inner: float = 1.0, run: int = 8, state: NDArray[np.bool_] | None = None,
) -> RunRules:
    """Western Electric rules, each side by itself.

    1: beyond limit. 2: two of three beyond ``warning``. 3: four of five beyond ``inner``. 4: ``run`` in a row on one
    side of the centre. A signal stands at the check that completes it, and only where that check itself lies beyond
    the line.
    Western Electric Statistical Quality Control Handbook 1956 [from memory], NIST/SEMATECH e-Handbook 6.3.2.

    state: of the checks before, as returned; the result is then the same as for one call over all checks.

    >>> z = np.array([[2.1, 0.0, 2.2, -0.1]])
    >>> run_rules(z, np.ones((1, 4), bool), rules=[2]).signal
    array([[[0, 0, 1, 0]]], dtype=int8)
    """
    known = {1: (1, 1, limit), 2: (2, 3, warning), 3: (4, 5, inner), 4: (run, run, 0.0)}
    depth = max(w for _, w, _ in known.values()) - 1
    series, checks = z.shape
    signal = np.zeros((len(rules), series, checks), dtype=np.int8)
    memory = np.zeros((len(rules), 2, series, depth), dtype=bool) if state is None else state.copy()
    for r, rule in enumerate(rules):
        needed, window, line = known[rule]
        for s, side in enumerate((-1, 1)):
            recent = memory[r, s]
            for t in range(checks):
                now, beyond = used[:, t], side * z[:, t] > line
                count = beyond.astype(np.int64) + recent[:, : window - 1].sum(axis=1)
                signal[r, now & beyond & (count >= needed), t] = side
                recent = np.where(now[:, None], np.column_stack((beyond, recent[:, :-1])), recent)
            memory[r, s] = recent
    return RunRules(tuple(rules), signal, memory)


def individuals_limits(values: Floats) -> Limits:
    """Limits of a chart of single values: mean ± 3 · (mean moving range)/1.128, from one series without gaps.

    NIST/SEMATECH e-Handbook 6.3.2.2. Fewer than two values: NaN limits; constant values:
    limits on the centre.

    >>> individuals_limits(np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])).centre
    50.81
    """
    if len(values) < 2:
        return Limits(float(np.mean(values)) if len(values) else float("nan"), float("nan"), float("nan"))
    centre = float(np.mean(values))
    reach = float(3.0 * np.mean(np.abs(np.diff(values))) / MEAN_RANGE_OF_TWO)
    return Limits(centre, centre - reach, centre + reach)
