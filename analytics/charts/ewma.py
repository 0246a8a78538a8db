"""Exponentially weighted moving averages over all series at once, with their exact spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class EwmaState:
    """Level and its variance after the last check, by series."""

    level: Floats
    variance: Floats


@dataclass(frozen=True, slots=True)
class Ewma:
    """By [series, check]. Varying limits are centre ± limit · sd, fixed ones centre ± limit · sd_settled.

    sd_settled is what sd would come to were all further checks like this one: √(w/(2 − w) · v).
    """

    level: Floats
    sd: Floats
    sd_settled: Floats
    state: EwmaState


def ewma(
    z: Floats, used: Bools, weight: float, start: float = 0.0, variance: Floats | float = 1.0,
    state: EwmaState | None = None,
) -> Ewma:
    """Level = (1 − w) level + w z, from ``start``; its variance = (1 − w)² variance + w² v, from 0.

    z: values, in any unit; variance: of each, in that unit squared, 1 for standardised residuals. weight: 0 < w ≤ 1.
    An unused check carries level and spread over. Roberts 1959; NIST/SEMATECH e-Handbook 6.3.2.4.

    >>> chart = ewma(np.array([[52.0, 47.0]]), np.ones((1, 2), bool), 0.3, start=50.0)
    >>> chart.level.round(2)
    array([[50.6 , 49.52]])
    """
    series, checks = z.shape
    v = np.broadcast_to(np.asarray(variance, dtype=float), z.shape)
    level, sd, settled = np.empty(z.shape), np.empty(z.shape), np.empty(z.shape)
    now = EwmaState(np.full(series, start), np.zeros(series)) if state is None else state
    for t in range(checks):
        here = used[:, t]
        value, spread = np.where(here, z[:, t], 0.0), np.where(here, v[:, t], 0.0)
        now = EwmaState(
            np.where(here, (1.0 - weight) * now.level + weight * value, now.level),
            np.where(here, (1.0 - weight) ** 2 * now.variance + weight**2 * spread, now.variance))
        level[:, t], sd[:, t] = now.level, np.sqrt(now.variance)
        settled[:, t] = np.sqrt(weight / (2.0 - weight) * v[:, t])
    return Ewma(level, sd, settled, now)
