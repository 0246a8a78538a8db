"""The chart core in force where all is known: how often it is wrong, how late it is right.

With a known reference, unit variance, no dead band and every split looked at, the core (``core.py``) is three two-sided
likelihood-ratio CUSUMs at once, one for each size d = 2k, k of ``budget.SIZES_K``:

    S ← max(0, S ± d·x − d²/2) on readings x ~ N(mean, 1), signal at S > h, h of ``budget.threshold_nats``.

Six sums on the same readings leave no equation that could be solved as for one, so they are walked on random readings, with
a fixed seed, all runs at once. A level that hardly signals (in control, or a shift under ``SMALL_SHIFT``) is taken from
``rare_signals``, which costs the same whatever the run length. In service the core looks at splits on a grid, which makes
it slightly slower than this on small shifts; ``tests/bench/chart_core_delays.py`` says by how much.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.charts.budget import SIZES_K, threshold_nats
from analytics.charts.rare_signals import Estimate, mean_run_length_by_cycles
from analytics.charts.run_lengths.checked import between

Array = NDArray[np.float64]

SMALL_SHIFT = 0.2  # sigma
LEAST_ARL0, MOST_ARL0 = 20.0, 1e8  # between these the thresholds keep what they promise
FIRST_RUNS, MOST_RUNS, MOST_STEPS = 1000, 60_000, 6e6  # runs before it is known how many are needed; at most; readings
AIM = 0.003  # relative standard error
BLOCK = 4000  # runs that stay in the processor's cache
SEED = 20_260


@dataclass
class SixSums:
    """The sums of many runs, [size and side, run], in nats; the first three watch for a rise, the others for a fall."""

    thresholds: Array
    value: Array

    @classmethod
    def at_rest(cls, arl0: float, runs: int) -> SixSums:
        """All sums at 0."""
        nats = thresholds_nats(arl0)
        return cls(np.concatenate((nats, nats))[:, None], np.zeros((2 * len(SIZES_K), runs)))

    def take(self, readings: Array) -> NDArray[np.bool_]:
        """One reading on; which runs signal."""
        size = 2.0 * np.array((*SIZES_K, *(-k for k in SIZES_K)))[:, None]
        self.value += size * readings
        self.value -= 0.5 * size**2
        np.maximum(self.value, 0.0, out=self.value)
        return np.asarray((self.value > self.thresholds).any(axis=0))

    def keep(self, runs: NDArray[np.bool_]) -> None:
        """Go on with these runs alone."""
        self.value = self.value[:, runs]


def thresholds_nats(arl0: float) -> Array:
    """Threshold of each size, nats, by the budget: [size]."""
    return np.array([float(threshold_nats(np.array(arl0), k)) for k in SIZES_K])


def first_signals(readings: Array, arl0: float) -> NDArray[np.int64]:
    """Number of the reading that signals, counted from 1; 0 where none does.

    readings: [run, reading], in sigma of a reading from the reference.

    >>> first_signals(np.array([[0.0, 4.0, 4.0, 4.0], [0.0, 0.0, 0.0, 0.0]]), 1000.0).tolist()
    [3, 0]
    """
    sums, found = SixSums.at_rest(arl0, len(readings)), np.zeros(len(readings), np.int64)
    for number, now in enumerate(readings.T, 1):
        signal = sums.take(now) & (found == 0)
        found[signal] = number
    return found


def mean_run_length(arl0: float, *, shift: float = 0.0, drift: float = 0.0, seed: int = SEED) -> Estimate:
    """Mean run length from zero, the signalling reading counted, with its standard error.

    arl0: in control, 20 to 1e8 readings. shift: constant mean, or drift: mean drift·t at t = 1, 2, …, in sigma; one of both.
    About 0.3 %, less sure where 6 million readings do not give that.
    """
    between("mean run length in control", arl0, LEAST_ARL0, MOST_ARL0)
    if drift == 0.0 and abs(shift) < SMALL_SHIFT:
        return mean_run_length_by_cycles(thresholds_nats(arl0), shift, seed)

    def mean(reading: int) -> float:
        return shift + drift * reading

    return simulated(arl0, mean, seed)


def simulated(arl0: float, mean: Callable[[int], float], seed: int) -> Estimate:
    """Mean run length by walking the six sums; ``mean`` of the reading of that number."""
    rng = np.random.default_rng(seed)
    lengths = _run_lengths(rng, arl0, mean, FIRST_RUNS)
    wanted = (lengths.std() / lengths.mean() / AIM) ** 2
    runs = int(min(max(wanted, FIRST_RUNS), MOST_RUNS, MOST_STEPS / lengths.mean())) - FIRST_RUNS
    blocks = [lengths]
    while runs > 0:
        blocks.append(_run_lengths(rng, arl0, mean, min(runs, BLOCK)))
        runs -= BLOCK
    every = np.concatenate(blocks)
    return Estimate(float(every.mean()), float(every.std(ddof=1) / math.sqrt(len(every))))


def _run_lengths(rng: np.random.Generator, arl0: float, mean: Callable[[int], float], runs: int) -> Array:
    sums, number, ended = SixSums.at_rest(arl0, runs), 0, []
    while sums.value.shape[1]:
        number += 1
        readings = np.asarray(rng.standard_normal(sums.value.shape[1]), np.float64)
        signal = sums.take(readings + mean(number))
        if signal.any():
            ended.append(np.full(int(signal.sum()), float(number)))
            sums.keep(~signal)
    return np.concatenate(ended)


def combined_rows(
    arl0: float, *, shifts: Sequence[float] = (), drifts: Sequence[float] = ()
) -> list[dict[str, float | None]]:
    """Rows of ``design --chart combined``: shifts, then drifts, in the order asked, each with its standard error.

    >>> (row,) = combined_rows(1000.0, shifts=[1.0])
    >>> list(row), abs(row["mean_run_length"] - 12.8) < 0.2  # methods §5, three CUSUMs
    (['shift', 'mean_run_length', 'standard_error'], True)
    """
    rows: list[dict[str, float | None]] = []
    for kind, sizes in (("shift", shifts), ("drift", drifts)):
        for size in sizes:
            found = mean_run_length(arl0, shift=size) if kind == "shift" else mean_run_length(arl0, drift=size)
            rows.append({kind: size, "mean_run_length": found.mean, "standard_error": found.standard_error})
    return rows
