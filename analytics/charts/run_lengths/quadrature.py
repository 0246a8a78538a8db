"""Gauss-Legendre nodes, and how many a Gaussian of unit width needs."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_DENSITY_AT_ZERO = 1.0 / math.sqrt(2.0 * math.pi)


def normal_density(x: Array) -> Array:
    """Standard normal density."""
    return np.asarray(_DENSITY_AT_ZERO * np.exp(-0.5 * x * x))


def nodes_for(width_sd: float) -> int:
    """Nodes that integrate Gaussians of unit width over an interval of this many widths.

    Run lengths differ by less than 1e-11 from those with twice as many (tests/charts/test_run_lengths.py).
    """
    return 16 + math.ceil(1.8 * width_sd)


@lru_cache(maxsize=256)
def _unit_rule(count: int) -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def gauss_legendre(low: float, high: float, count: int) -> tuple[Array, Array]:
    """Nodes and weights on [low, high].

    >>> nodes, weights = gauss_legendre(0.0, 2.0, 5)
    >>> round(float(weights @ nodes**3), 12)
    4.0
    """
    nodes, weights = _unit_rule(count)
    half = 0.5 * (high - low)
    return low + half * (nodes + 1.0), half * weights
