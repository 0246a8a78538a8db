"""Run lengths of the Shewhart chart with runs rules, as a Markov chain (Champ & Woodall, Technometrics 1987).

Each rule signals when at least m of the last w readings lie beyond a line on the same side. What the chain remembers
is, for each rule and side, which of the last w − 1 readings were beyond and can still take part in a signal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analytics.charts.run_lengths.absorption import mean_steps
from analytics.charts.run_lengths.cusum import leading_vector

Array = NDArray[np.float64]
# (m, w, line): m of the last w readings beyond ± line, in sigma.
Rule = tuple[int, int, float]


@lru_cache(maxsize=64)
def _chain(rules: tuple[Rule, ...]) -> tuple[Array, NDArray[np.intp]]:
    """Cut points between the zones, and next state by (state, zone); −1 is the signal, state 0 remembers nothing."""
    lines = {abs(line) for _, _, line in rules}
    cuts = np.array(sorted(lines | {-line for line in lines}))
    middles = np.concatenate(([-math.inf], (cuts[1:] + cuts[:-1]) / 2.0, [math.inf]))
    hits = [tuple(side * middle > line for _, _, line in rules for side in (1.0, -1.0)) for middle in middles]
    spans = [(m, w) for m, w, _ in rules for _ in range(2)]

    def forward(memory: tuple[int, ...], zone: int) -> tuple[int, ...] | None:
        after = []
        for bits, hit, (m, w) in zip(memory, hits[zone], spans, strict=True):
            window = (bits << 1 | int(hit)) & ((1 << w) - 1)
            if window.bit_count() >= m:
                return None
            after.append(_useful(window & ((1 << (w - 1)) - 1), m, w))
        return tuple(after)

    index = {tuple(0 for _ in spans): 0}
    rows: list[list[int]] = []
    queue = list(index)
    for memory in queue:
        row = []
        for zone in range(len(middles)):
            after = forward(memory, zone)
            if after is None:
                row.append(-1)
                continue
            if after not in index:
                index[after] = len(index)
                queue.append(after)
            row.append(index[after])
        rows.append(row)
    return cuts, np.array(rows, dtype=np.intp)


def _useful(bits: int, m: int, w: int) -> int:
    """Without the readings that cannot take part in a signal any more; bit a − 1 is the reading a readings ago."""
    kept = 0
    for age in range(1, w):
        if bits >> (age - 1) & 1 and (bits & ((1 << age) - 1)).bit_count() + w - age >= m:
            kept |= 1 << (age - 1)
    return kept


@dataclass(frozen=True)
class Shewhart:
    """The chart with these rules; its state is a vector of probabilities over the chain's states."""

    rules: tuple[Rule, ...]

    @cached_property
    def next_state(self) -> NDArray[np.intp]:
        """Next state by (state, zone)."""
        return _chain(self.rules)[1]

    def zone_probabilities(self, mean: float) -> Array:
        """Probability of each zone, each from the nearer tail so that small ones stay exact."""
        cuts = _chain(self.rules)[0] - mean
        low, high = np.concatenate(([-math.inf], cuts)), np.concatenate((cuts, [math.inf]))
        return np.asarray(np.where(low > 0.0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low)))

    def start(self) -> Array:
        """Nothing remembered."""
        return np.asarray(np.eye(1, len(self.next_state))[0])

    def steady(self) -> Array:
        """The quasi-stationary distribution under mean 0."""
        return leading_vector(self.matrix(0.0))

    def step(self, state: Array, mean: float) -> Array:
        """One reading on."""
        flow = state[:, None] * self.zone_probabilities(mean)
        size = len(state)
        return np.asarray(np.bincount(self.next_state.ravel() + 1, flow.ravel(), size + 1)[1:], dtype=np.float64)

    def matrix(self, mean: float) -> Array:
        """Transition matrix; column: from, row: to."""
        size = len(self.next_state)
        probabilities = np.broadcast_to(self.zone_probabilities(mean), self.next_state.shape)
        origin = np.broadcast_to(np.arange(size)[:, None], self.next_state.shape)
        matrix = np.zeros((size + 1, size))
        np.add.at(matrix, (self.next_state + 1, origin), probabilities)
        return matrix[1:]

    def vector(self, state: Array) -> Array:
        """The state itself."""
        return state

    def counted(self) -> Array:
        """Every state counts."""
        return np.ones(len(self.next_state))

    def mass(self, state: Array) -> float:
        """Probability of no signal yet."""
        return float(state.sum())

    def scaled(self, state: Array, factor: float) -> Array:
        """With its mass multiplied."""
        return state * factor

    def remaining(self, state: Array, mean: float) -> float:
        """Mean time to absorption."""
        signals = np.where(self.next_state < 0, self.zone_probabilities(mean), 0.0).sum(axis=1)
        return float(mean_steps(self.matrix(mean).T, signals) @ state)

    def certain(self, drift: float) -> bool:
        """Any drift ends in a signal."""
        return drift != 0.0
