"""Run lengths of the CUSUM S = max(0, S + x − k), signal at S > h, one- and two-sided, with head start.

One arm. The state is an atom at 0 and a density on (0, h], held at Gauss-Legendre nodes (Nyström). All integrands are
entire functions of Gaussian width, so the quadrature converges faster than any power of the number of nodes.

Two arms, upper on x and lower on −x. As long as the sum of both arms is at most h + 2k, which it stays once it is, the
lower arm stands at 0 whenever the upper one signals, and the other way round. From this follows the known relation
1/L = 1/L₊ + 1/L₋ (Kemp 1961; with head starts Lucas & Crosier 1982), and, for means that change from reading to
reading, that the two marginal distributions can be walked forward by themselves, each losing at 0 the mass that signals
on the other arm:  m₊ ← K₊ m₊ − δ₀ · (signals of m₋),  m₋ ← K₋ m₋ − δ₀ · (signals of m₊).
Head starts beyond (h + 2k)/2 begin with both arms positive; then S₊ − S₋ alone is random and is walked forward
until one arm is at 0 (``paired_start``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analytics.charts.run_lengths.paired_start import Pair, pair_step
from analytics.charts.run_lengths.quadrature import gauss_legendre, nodes_for, normal_density

Array = NDArray[np.float64]
# Exponents up to which a kernel for another mean is made from the one for mean 0 by factors.
TILT_UP_TO = 200.0


@dataclass(frozen=True)
class Cloud:
    """Masses at points of one arm's statistic; the first point is the atom at 0."""

    points: Array
    masses: Array


@dataclass(frozen=True)
class Arm:
    """The upper arm; the lower one is the same with the mean's sign turned.

    k, h in sigma.
    """

    k: float
    h: float

    @cached_property
    def nodes(self) -> tuple[Array, Array]:
        """The Gauss-Legendre nodes and weights on [0, h]."""
        return gauss_legendre(0.0, self.h, nodes_for(self.h))

    @cached_property
    def grid(self) -> Array:
        """0 and the nodes."""
        return np.concatenate(([0.0], self.nodes[0]))

    @cached_property
    def kernel_at_rest(self) -> Array:
        """Weighed density from the grid to the nodes for mean 0."""
        nodes, weights = self.nodes
        return weights[:, None] * normal_density(nodes[:, None] - self.grid + self.k)

    def signals(self, points: Array, mean: float) -> Array:
        """Probability that the next reading signals, from each point."""
        return np.asarray(ndtr(points + (mean - self.k - self.h)))

    def step(self, cloud: Cloud, mean: float) -> Cloud:
        """The distribution after one more reading, on the grid."""
        nodes, weights = self.nodes
        masses = np.empty(len(nodes) + 1)
        masses[0] = ndtr(self.k - mean - cloud.points) @ cloud.masses
        if cloud.points is self.grid and abs(mean) * (self.h + self.k) < TILT_UP_TO:
            # φ(u − m) = φ(u) exp(m u − m²/2), and u = node − point + k falls apart into a factor for each.
            tilted = self.kernel_at_rest @ (np.exp(-mean * self.grid) * cloud.masses)
            masses[1:] = np.exp(mean * (nodes + (self.k - 0.5 * mean))) * tilted
        else:
            masses[1:] = weights * (normal_density(nodes[:, None] - cloud.points + (self.k - mean)) @ cloud.masses)
        return Cloud(self.grid, masses)

    def step_both(self, masses: Array, mean: float) -> Array:
        """One reading on for the masses of both arms on the grid, [arm, point], each losing what the other signals."""
        nodes, weights = self.nodes
        means = np.array([[mean], [-mean]])
        to_zero = (ndtr(self.k - means - self.grid) * masses).sum(axis=1)
        signals = (ndtr(self.grid + (means - self.k - self.h)) * masses).sum(axis=1)
        after = np.empty(masses.shape)
        after[:, 0] = to_zero - signals[::-1]
        if abs(mean) * (self.h + self.k) < TILT_UP_TO:
            # φ(u − m) = φ(u) exp(m u − m²/2), and u = node − point + k falls apart into a factor for each.
            tilted = (np.exp(-means * self.grid) * masses) @ self.kernel_at_rest.T
            after[:, 1:] = np.exp(means * (nodes + (self.k - 0.5 * means))) * tilted
        else:
            for arm, shift in enumerate((self.k - mean, self.k + mean)):
                density = normal_density(nodes[:, None] - self.grid + shift)
                after[arm, 1:] = weights * (density @ masses[arm])
        return after

    def matrix(self, mean: float) -> Array:
        """Transition matrix between grid points; column: from, row: to."""
        nodes, weights = self.nodes
        to_zero = ndtr(self.k - mean - self.grid)
        inside = weights[:, None] * normal_density(nodes[:, None] - self.grid + (self.k - mean))
        return np.vstack((to_zero, inside))

    def cycle(self, points: Array, mean: float) -> tuple[Array, Array]:
        """From each point: mean number of readings until the arm is at 0 or signals, and probability of the signal.

        Both are sums of positive terms, so the tiny probabilities far from the threshold keep their relative accuracy.
        """
        nodes, weights = self.nodes
        inner = normal_density(nodes - nodes[:, None] + (self.k - mean)) * weights
        right = np.stack((np.ones(len(nodes)), self.signals(nodes, mean)), axis=1)
        solved = np.linalg.solve(np.eye(len(nodes)) - inner, right)
        outer = (normal_density(nodes - points[:, None] + (self.k - mean)) * weights) @ solved
        return 1.0 + outer[:, 0], self.signals(points, mean) + outer[:, 1]

    def run_length_from_zero(self, mean: float) -> float:
        """Mean run length from 0: readings a cycle over probability of a signal a cycle; inf above 1e300."""
        length, signal = self.cycle(np.zeros(1), mean)
        return float(length[0] / signal[0]) if signal[0] > 1e-300 else math.inf


@dataclass(frozen=True)
class OneSided:
    """The upper CUSUM alone. k, h, head_start in sigma."""

    k: float
    h: float
    head_start: float

    @cached_property
    def arm(self) -> Arm:
        """The arm."""
        return Arm(self.k, self.h)

    def start(self) -> Cloud:
        """All mass at the head start."""
        return Cloud(np.array([self.head_start]), np.ones(1))

    def steady(self) -> Cloud:
        """The quasi-stationary distribution under mean 0."""
        return Cloud(self.arm.grid, leading_vector(self.arm.matrix(0.0)))

    def step(self, state: Cloud, mean: float) -> Cloud:
        """One reading on."""
        return self.arm.step(state, mean)

    def mass(self, state: Cloud) -> float:
        """Probability of no signal yet."""
        return float(state.masses.sum())

    def scaled(self, state: Cloud, factor: float) -> Cloud:
        """With its mass multiplied."""
        return Cloud(state.points, state.masses * factor)

    def remaining(self, state: Cloud, mean: float) -> float:
        """L(s) = u(s) + (1 − v(s)) L(0), u and v of ``Arm.cycle``."""
        length, signal = self.arm.cycle(state.points, mean)
        back = float((1.0 - signal) @ state.masses)
        from_zero = self.arm.run_length_from_zero(mean)
        return float(length @ state.masses) + (back * from_zero if back > 0.0 else 0.0)

    def certain(self, drift: float) -> bool:
        """A falling mean leaves the upper arm at 0 for ever with some probability: no mean exists."""
        return drift > 0.0

    def vector(self, state: Cloud) -> Array | None:
        """The masses on the grid."""
        return state.masses if len(state.masses) == len(self.arm.grid) else None

    def matrix(self, mean: float) -> Array:
        """Transition matrix on the grid."""
        return self.arm.matrix(mean)

    def counted(self) -> Array:
        """Every point counts."""
        return np.ones(len(self.arm.grid))


@dataclass(frozen=True)
class Both:
    """Marginal distributions of both arms, and the part whose arms are still tied to each other by the head start."""

    upper: Cloud
    lower: Cloud
    pair: Pair | None


@dataclass(frozen=True)
class TwoSided:
    """Upper and lower CUSUM together, the same k, h and head start for both, in sigma; k at least 0."""

    k: float
    h: float
    head_start: float

    @cached_property
    def arm(self) -> Arm:
        """The upper arm."""
        return Arm(self.k, self.h)

    def start(self) -> Both:
        """Both arms at the head start."""
        if 2.0 * self.head_start > self.h + 2.0 * self.k:
            nothing = Cloud(np.zeros(1), np.zeros(1))
            return Both(nothing, nothing, Pair(0, np.zeros(1), np.ones(1)))
        arm = Cloud(np.array([self.head_start]), np.ones(1))
        return Both(arm, arm, None)

    def steady(self) -> Both:
        """The quasi-stationary marginals under mean 0, alike by symmetry."""
        matrix = self.arm.matrix(0.0)
        matrix[0] -= self.arm.signals(self.arm.grid, 0.0)
        arm = Cloud(self.arm.grid, leading_vector(matrix))
        return Both(arm, arm, None)

    def step(self, state: Both, mean: float) -> Both:
        """One reading on; each arm loses at 0 what signals on the other."""
        if state.upper.points is self.arm.grid and state.lower.points is self.arm.grid and state.pair is None:
            masses = self.arm.step_both(np.stack((state.upper.masses, state.lower.masses)), mean)
            return Both(Cloud(self.arm.grid, masses[0]), Cloud(self.arm.grid, masses[1]), None)
        upper, lower = self.arm.step(state.upper, mean), self.arm.step(state.lower, -mean)
        upper.masses[0] -= self.arm.signals(state.lower.points, -mean) @ state.lower.masses
        lower.masses[0] -= self.arm.signals(state.upper.points, mean) @ state.upper.masses
        if state.pair is None:
            return Both(upper, lower, None)
        pair, freed = pair_step(state.pair, self.k, self.h, self.head_start, mean)
        up, down, masses = freed
        return Both(_joined(upper, up, masses), _joined(lower, down, masses), pair)

    def mass(self, state: Both) -> float:
        """Probability of no signal yet; the same for both marginals."""
        tied = 0.0 if state.pair is None else float(state.pair.masses.sum())
        return float(state.upper.masses.sum()) + tied

    def scaled(self, state: Both, factor: float) -> Both:
        """With its mass multiplied."""
        pair = state.pair
        return Both(
            Cloud(state.upper.points, state.upper.masses * factor),
            Cloud(state.lower.points, state.lower.masses * factor),
            None if pair is None else Pair(pair.readings, pair.points, pair.masses * factor))

    def remaining(self, state: Both, mean: float) -> float:
        """L(s₊, s₋) = H (1 + D₊ + D₋) with 1/H = 1/L₊(0) + 1/L₋(0) and D(s) = L(s)/L(0) − 1 = u(s)/L(0) − v(s)."""
        total = 0.0
        while state.pair is not None:
            total += self.mass(state)
            state = self.step(state, mean)
        zero_up, zero_down = self.arm.run_length_from_zero(mean), self.arm.run_length_from_zero(-mean)
        if math.isinf(zero_up) and math.isinf(zero_down):
            return math.inf
        harmonic = 1.0 / (1.0 / zero_up + 1.0 / zero_down)
        weight = self.mass(state)
        for cloud, zero, sign in ((state.upper, zero_up, 1.0), (state.lower, zero_down, -1.0)):
            length, signal = self.arm.cycle(cloud.points, sign * mean)
            weight += float((length / zero - signal) @ cloud.masses)
        # At 0 the cycle's own balance u(0)/L(0) = v(0) makes the weight exactly the mass.
        return total + harmonic * weight

    def certain(self, drift: float) -> bool:
        """Any drift ends in a signal."""
        return drift != 0.0

    def vector(self, state: Both) -> Array | None:
        """Both marginals one after the other, once they lie on the grid."""
        size = len(self.arm.grid)
        if state.pair is not None or len(state.upper.masses) != size or len(state.lower.masses) != size:
            return None
        return np.concatenate((state.upper.masses, state.lower.masses))

    def matrix(self, mean: float) -> Array:
        """Coupled transition matrix of both marginals."""
        grid, size = self.arm.grid, len(self.arm.grid)
        matrix = np.zeros((2 * size, 2 * size))
        matrix[:size, :size], matrix[size:, size:] = self.arm.matrix(mean), self.arm.matrix(-mean)
        matrix[0, size:] -= self.arm.signals(grid, -mean)
        matrix[size, :size] -= self.arm.signals(grid, mean)
        return matrix

    def counted(self) -> Array:
        """The upper marginal holds the mass."""
        size = len(self.arm.grid)
        return np.concatenate((np.ones(size), np.zeros(size)))


def _joined(cloud: Cloud, points: Array, masses: Array) -> Cloud:
    if len(masses) == 0:
        return cloud
    return Cloud(np.concatenate((cloud.points, points)), np.concatenate((cloud.masses, masses)))


def leading_vector(matrix: Array) -> Array:
    """The eigenvector of the largest eigenvalue, with sum one."""
    values, vectors = np.linalg.eig(matrix)
    vector = np.real(vectors[:, int(np.argmax(np.real(values)))])
    return np.asarray(vector / vector.sum())
