"""Run lengths of the EWMA Z = (1 − w) Z + w x, signal at |Z| > limit, with fixed and with exact (varying) limits.

The density of Z is held at Gauss-Legendre nodes between the limits, which are ± c √(w/(2 − w)), or at reading t
± c √(w/(2 − w) · (1 − (1 − w)^2t)) where they follow the exact variance. The signal probability of each point is taken
exactly from the normal distribution and the mean run length by ``absorption.mean_steps``.
A head start a runs two EWMAs, from +a and from −a (Lucas & Saccucci 1990); as they see the same readings they stay
2a(1 − w)^t apart, and the pair is one EWMA from 0 whose limits are tighter by a(1 − w)^t.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analytics.charts.run_lengths.absorption import mean_steps
from analytics.charts.run_lengths.cusum import TILT_UP_TO, leading_vector
from analytics.charts.run_lengths.quadrature import gauss_legendre, nodes_for, normal_density

Array = NDArray[np.float64]
# Limits nearer than this to their final value, relatively, are taken as final.
_SETTLED = 1e-13


@dataclass(frozen=True)
class Level:
    """Masses at values of Z after this many readings."""

    readings: int
    points: Array
    masses: Array


@dataclass(frozen=True)
class Ewma:
    """weight w in (0, 1]; limit c in sigma of Z; head_start a in sigma of a reading."""

    weight: float
    limit: float
    varying: bool
    head_start: float

    @property
    def half_width(self) -> float:
        """The final limit in sigma of a reading."""
        return self.limit * math.sqrt(self.weight / (2.0 - self.weight))

    def half_width_at(self, readings: int) -> float:
        """The limit after this many readings, tightened by the head start."""
        kept = (1.0 - self.weight) ** readings
        exact = math.sqrt(1.0 - kept * kept) if self.varying else 1.0
        return self.half_width * exact - self.head_start * kept

    def settled(self, readings: int) -> bool:
        """Whether the limits do not move any more."""
        return abs(self.half_width_at(readings) - self.half_width) <= _SETTLED * self.half_width

    def nodes(self, half_width: float) -> tuple[Array, Array]:
        """Nodes and weights between the limits; the kernel is as wide as the weight."""
        return gauss_legendre(-half_width, half_width, nodes_for(2.0 * half_width / self.weight))

    @cached_property
    def final(self) -> tuple[Array, Array]:
        """Nodes and weights between the final limits."""
        return self.nodes(self.half_width)

    @cached_property
    def kernel_at_rest(self) -> Array:
        """Weighed density between the final nodes for mean 0."""
        return self.final[1][:, None] * self.density(self.final[0], self.final[0], 0.0)

    def density(self, to: Array, points: Array, mean: float) -> Array:
        """Density of the next Z at ``to`` from each point; row: to, column: from."""
        w = self.weight
        return normal_density((to[:, None] - (1.0 - w) * points) / w - mean) / w

    def start(self) -> Level:
        """All mass at 0."""
        return Level(0, np.zeros(1), np.ones(1))

    def steady(self) -> Level:
        """The quasi-stationary distribution between the final limits under mean 0."""
        readings = 0
        while not self.settled(readings):
            readings = 2 * readings + 1
        return Level(readings, self.final[0], leading_vector(self.matrix(0.0)))

    def step(self, state: Level, mean: float) -> Level:
        """One reading on."""
        readings, w = state.readings + 1, self.weight
        half_width = self.half_width_at(readings)
        if half_width <= 0.0:
            return Level(readings, np.zeros(1), np.zeros(1))
        if self.settled(readings) and state.points is self.final[0] and abs(mean) * half_width / w < TILT_UP_TO:
            # φ(u − m) = φ(u) exp(m u − m²/2), and u = (to − (1 − w) from)/w falls apart into a factor for each.
            nodes = self.final[0]
            tilted = self.kernel_at_rest @ (np.exp(nodes * (-mean * (1.0 - w) / w)) * state.masses)
            return Level(readings, nodes, np.exp(nodes * (mean / w) - 0.5 * mean * mean) * tilted)
        nodes, weights = self.final if self.settled(readings) else self.nodes(half_width)
        return Level(readings, nodes, weights * (self.density(nodes, state.points, mean) @ state.masses))

    def mass(self, state: Level) -> float:
        """Probability of no signal yet."""
        return float(state.masses.sum())

    def scaled(self, state: Level, factor: float) -> Level:
        """With its mass multiplied."""
        return Level(state.readings, state.points, state.masses * factor)

    def remaining(self, state: Level, mean: float) -> float:
        """Readings one by one while the limits move, then the mean time to absorption."""
        total = 0.0
        while not self.settled(state.readings):
            mass = self.mass(state)
            if mass <= 1e-18 * total:
                return total
            total += mass
            state = self.step(state, mean)
        nodes, weights = self.final
        steps = mean_steps(self.matrix(mean).T, self._signals(nodes, mean))
        from_points = 1.0 + (weights * steps) @ self.density(nodes, state.points, mean)
        return total + float(from_points @ state.masses)

    def vector(self, state: Level) -> Array | None:
        """The masses, once the limits do not move any more."""
        return state.masses if self.settled(state.readings) and self.settled(state.readings - 1) else None

    def matrix(self, mean: float) -> Array:
        """Transition matrix between the nodes of the final limits."""
        nodes, weights = self.final
        return weights[:, None] * self.density(nodes, nodes, mean)

    def counted(self) -> Array:
        """Every node counts."""
        return np.ones(len(self.final[0]))

    def _signals(self, points: Array, mean: float) -> Array:
        w, h = self.weight, self.half_width
        centre = (1.0 - w) * points / w + mean
        return np.asarray(ndtr(centre - h / w) + ndtr(-centre - h / w))

    def certain(self, drift: float) -> bool:
        """Any drift ends in a signal."""
        return drift != 0.0
