"""Mean run lengths of the combined chart where signals are rare, at a cost that does not grow with the run length.

One side. The sums of one side are all at 0 when the one for the smallest size is, since S of size d is the largest of
Σ (d·x − d²/2) over the newest readings, and Σ (x − d/2) falls with d. So they renew themselves there, and with ℓ the
length of a cycle (to 0, or to a signal) and p the probability that it ends in a signal, Wald's identity gives

    mean run length = E ℓ / p        exactly.

p is tiny, so its cycles are drawn with help: at a moment drawn from π the readings begin to move up, by the amount that
makes one of the sums (drawn at random) drift to its threshold, and each cycle that signals counts with the inverse of its
likelihood ratio Λ = Σ_z π(z) · mean over sizes of Π_{i>z} exp(τ·(x_i − mean) − τ²/2), which is a running sum. Λ is at least a
fixed part of e^h at a signal, so no cycle counts for much and the relative error stays bounded however rare signals
are (importance sampling for change points: T. L. Lai, Sequential Analysis, 2001, from memory).

Both sides. 1/L = 1/L₊ + 1/L₋, as for one two-sided CUSUM (Kemp 1961): when one side signals the other is at 0, but for a
part too small to see; the tests hold it against walking all six sums.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.charts.budget import SIZES_K

Array = NDArray[np.float64]

MOST_CYCLES = 160_000  # plain ones, and as many helped ones
CYCLES_ERROR = 0.01  # relative standard error that so many give, about
BLOCK = 40_000  # cycles at once
PRIOR = 2.0  # the readings move from the z-th of the cycle on with probability PRIOR/((z + PRIOR)(z + PRIOR + 1)), heavy-tailed


@dataclass(frozen=True)
class Estimate:
    """A simulated mean, in readings, and its standard error (one sigma)."""

    mean: float
    standard_error: float

    @property
    def relative_error(self) -> float:
        """Standard error over mean; 0 where the mean is 0."""
        return self.standard_error / self.mean if self.mean else 0.0


def mean_run_length_by_cycles(
    thresholds: Array, shift: float, seed: int, *, dead_band: float = 0.0, cycles: int = MOST_CYCLES
) -> Estimate:
    """Mean run length of the six sums under a constant mean, from zero, the signalling reading counted.

    thresholds: nats, [size]. shift: in sigma, its sign does not matter; less than half of the smallest size watched beyond
    the dead band, in sigma: each side sees the reading less the dead band.
    """
    sides = (0.0,) if shift == 0.0 else (abs(shift), -abs(shift))
    rate, variance = 0.0, 0.0
    for number, side in enumerate(sides):
        rng, mean = np.random.default_rng([seed, number]), side - dead_band
        length = _cycle_length(rng, thresholds, mean, cycles)
        probability = _signal_probability(rng, thresholds, mean, cycles)
        own = probability.mean / length.mean
        rate += own
        variance += own**2 * (length.relative_error**2 + probability.relative_error**2)
    if shift == 0.0:
        rate, variance = 2.0 * rate, 4.0 * variance
    if rate == 0.0:
        return Estimate(math.inf, math.inf)
    return Estimate(float(1.0 / rate), float(math.sqrt(variance) / rate**2))


def _blocks(cycles: int) -> list[int]:
    return [min(BLOCK, cycles - begun) for begun in range(0, cycles, BLOCK)]


def _sizes() -> Array:
    return 2.0 * np.array(SIZES_K)[:, None]


def _cycle_length(rng: np.random.Generator, thresholds: Array, mean: float, cycles: int) -> Estimate:
    """Mean length of a cycle, as it comes."""
    size, total, square = _sizes(), 0.0, 0.0
    blocks = _blocks(cycles)
    for block in blocks:
        sums, number = np.zeros((len(size), block)), 0
        while sums.shape[1]:
            number += 1
            sums += size * (rng.standard_normal(sums.shape[1]) + mean)
            sums -= 0.5 * size**2
            np.maximum(sums, 0.0, out=sums)
            over = (sums > thresholds[:, None]).any(axis=0) | (sums[0] == 0.0)
            many = int(over.sum())
            total, square = total + many * number, square + many * number**2
            sums = sums[:, ~over]
    return _estimate(total, square, sum(blocks))


def _signal_probability(rng: np.random.Generator, thresholds: Array, mean: float, cycles: int) -> Estimate:
    """Probability that a cycle ends in a signal, from cycles helped to one."""
    total, square = 0.0, 0.0
    blocks = _blocks(cycles)
    for block in blocks:
        weights = _helped(rng, thresholds, mean, block)
        total, square = total + weights.sum(), square + (weights**2).sum()
    return _estimate(total, square, sum(blocks))


def _helped(rng: np.random.Generator, thresholds: Array, mean: float, block: int) -> Array:
    """Inverse likelihood ratios of those of ``block`` helped cycles that signal."""
    size = _sizes()
    push = size - 2.0 * mean  # under it the increments of the sum have their sign turned: E exp(push·(x − size/2)) = 1
    sums, ratio = np.zeros((len(size), block)), np.zeros((len(size), block))
    pushed = np.zeros(block)
    not_yet, number, found = 1.0, 0, []
    while sums.shape[1]:
        number += 1
        hazard = 1.0 / (number - 1 + PRIOR)
        begins = np.flatnonzero((pushed == 0.0) & (rng.random(len(pushed)) < hazard))
        pushed[begins] = push[rng.integers(len(size), size=len(begins)), 0]
        x = rng.standard_normal(len(pushed)) + pushed
        ratio += not_yet * hazard
        ratio *= np.exp(push * x - 0.5 * push**2)
        not_yet *= 1.0 - hazard
        sums += size * (x + mean)
        sums -= 0.5 * size**2
        np.maximum(sums, 0.0, out=sums)
        signal = (sums > thresholds[:, None]).any(axis=0)
        if signal.any():
            found.append(1.0 / (not_yet + ratio[:, signal].mean(axis=0)))
        goes_on = ~signal & (sums[0] > 0.0)
        if not goes_on.all():
            sums, ratio, pushed = sums[:, goes_on], ratio[:, goes_on], pushed[goes_on]
    return np.concatenate(found) if found else np.zeros(0)


def _estimate(total: float, square: float, many: int) -> Estimate:
    mean = total / many
    return Estimate(mean, math.sqrt((square / many - mean**2) / (many - 1)))
