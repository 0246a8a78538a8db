"""The chart core in force where all is known: how often it is wrong, how late it is right.

With a known reference, unit variance and every split looked at, the core (``core.py``) is three two-sided likelihood-ratio
CUSUMs at once, one for each size d = 2k, k of ``budget.SIZES_K``:

    S ← max(0, S + d·(±x − δ₀) − d²/2) on readings x ~ N(mean, 1), signal at S > h, h of ``budget.threshold_nats``,

with δ₀ the dead band, 0 for the chart itself. Six sums on the same readings leave no equation that could be solved as for
one, so they are walked on random readings, with a fixed seed, all runs at once. The two-sided CUSUM of one size is walked
beside them on the same readings; its mean run length is computed exactly (``run_lengths``), and what the walk missed of it
is taken off by regression (a control variate), which leaves a small part of the scatter. A level that hardly signals (in
control, or a shift not ``SMALL_SHIFT`` beyond the dead band) is taken from ``rare_signals``, which costs the same whatever
the run length. In service the core looks at splits on a grid, which makes it slightly slower than this on small shifts;
``tests/bench/chart_core_delays.py`` says by how much.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.charts.budget import SIZES_K, threshold_nats
from analytics.charts.rare_signals import CYCLES_ERROR, MOST_CYCLES, Estimate, mean_run_length_by_cycles
from analytics.charts.run_length import cusum_mean_run_lengths
from analytics.charts.run_lengths.checked import between

Array = NDArray[np.float64]

SMALL_SHIFT = 0.2  # sigma
LEAST_ARL0, MOST_ARL0 = 20.0, 1e8  # between these the thresholds keep what they promise
FIRST_RUNS, MOST_RUNS = 400, 60_000  # runs before it is known how many are needed; at most
MOST_STEPS, STEPS_A_CALL = 3e6, 6e6  # readings of one row; of all rows asked for at once
CHEAP_RUNS, CHEAP_STEPS = 20_000, 1e5  # as many are always walked: they cost nothing
AIM = 0.003  # relative standard error
BLOCK = 4000  # runs that stay in the processor's cache
SEED = 20_260


@dataclass
class SixSums:
    """The sums of many runs, [size and side, run], in nats; the first three watch for a rise, the others for a fall."""

    thresholds: Array
    value: Array
    dead_band: float = 0.0  # sigma

    @classmethod
    def at_rest(cls, arl0: float, runs: int, dead_band: float = 0.0) -> SixSums:
        """All sums at 0."""
        nats = thresholds_nats(arl0)
        return cls(np.concatenate((nats, nats))[:, None], np.zeros((2 * len(SIZES_K), runs)), dead_band)

    def take(self, readings: Array) -> NDArray[np.bool_]:
        """One reading on; which sums of which runs are over their thresholds, [size and side, run]."""
        size = 2.0 * np.array((*SIZES_K, *(-k for k in SIZES_K)))[:, None]
        self.value += size * readings
        self.value -= 0.5 * size**2 + np.abs(size) * self.dead_band
        np.maximum(self.value, 0.0, out=self.value)
        return np.asarray(self.value > self.thresholds)

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
        signal = sums.take(now).any(axis=0) & (found == 0)
        found[signal] = number
    return found


@lru_cache(maxsize=4096)
def mean_run_length(
    arl0: float,
    *,
    shift: float = 0.0,
    drift: float = 0.0,
    dead_band: float = 0.0,
    held_beyond: float = math.inf,
    aim: float = AIM,
    most_steps: float = MOST_STEPS,
    seed: int = SEED,
) -> Estimate:
    """Mean run length from zero, the signalling reading counted, with its standard error.

    arl0: in control and without a dead band, 20 to 1e8 readings. shift: constant mean, or drift: mean drift·t at
    t = 1, 2, …, in sigma; one of both, its sign does not matter. dead_band: in sigma. held_beyond: the first reading alone
    does not signal where it lies farther off, in sigma (a lone outlier waits for the next check to confirm it). aim:
    relative standard error, met but where ``most_steps`` readings do not give it.
    """
    between("mean run length in control", arl0, LEAST_ARL0, MOST_ARL0)
    shift, drift = abs(shift), abs(drift)
    if drift == 0.0 and shift - dead_band < SMALL_SHIFT:
        cycles = int(min(MOST_CYCLES, MOST_CYCLES * (CYCLES_ERROR / aim) ** 2))
        return mean_run_length_by_cycles(thresholds_nats(arl0), shift, seed, dead_band=dead_band, cycles=cycles)
    rng = np.random.default_rng(seed)

    def mean(reading: int) -> float:
        return shift + drift * reading

    _, _, tipped = _walk(rng, arl0, mean, FIRST_RUNS, dead_band, held_beyond, None)
    control = int(np.bincount(tipped % len(SIZES_K)).argmax())
    k = SIZES_K[control]
    h = float(threshold_nats(np.array(arl0), k)) / (2.0 * k)
    (known,) = cusum_mean_run_lengths(
        k + dead_band, h, shifts=[] if drift else [shift], drifts=[drift] if drift else []
    )
    return _regressed(
        lambda runs: _walk(rng, arl0, mean, runs, dead_band, held_beyond, control)[:2], known, aim, most_steps
    )


def _regressed(walk: Callable[[int], tuple[Array, Array]], known: float, aim: float, most_steps: float) -> Estimate:
    """Mean of the first of two lengths, given the mean of the second, from as many runs as the aim takes."""
    lengths, beside = walk(FIRST_RUNS)
    while True:
        slope = float(np.cov(lengths, beside)[0, 1] / beside.var(ddof=1)) if beside.std() > 0 else 0.0
        left = lengths - slope * beside
        mean, spread = float(left.mean()) + slope * known, float(left.std(ddof=1))
        wanted = 1.05 * (spread / mean / aim) ** 2
        least = min(CHEAP_RUNS, CHEAP_STEPS / beside.mean())
        runs = int(min(max(wanted, least), MOST_RUNS, most_steps / beside.mean())) - len(lengths)
        if runs <= 0:
            # Where both signalled together in every run, they may still differ by a reading once in so many.
            return Estimate(mean, max(spread / math.sqrt(len(lengths)), 1.0 / len(lengths)))
        more, more_beside = walk(min(runs, BLOCK))
        lengths, beside = np.concatenate((lengths, more)), np.concatenate((beside, more_beside))


def _walk(
    rng: np.random.Generator,
    arl0: float,
    mean: Callable[[int], float],
    runs: int,
    dead_band: float,
    held_beyond: float,
    control: int | None,
) -> tuple[Array, Array, NDArray[np.int64]]:
    """Lengths of the runs; those of the two-sided CUSUM of one size (of ``control``) beside; which sum tipped each run.

    Without a control a run ends with its signal.
    """
    sums, number = SixSums.at_rest(arl0, runs, dead_band), 0
    which = np.arange(runs)
    lengths, beside, tipped = np.zeros(runs), np.zeros(runs), np.zeros(runs, np.int64)
    own = [] if control is None else [control, control + len(SIZES_K)]
    beside_open = np.full(runs, control is not None)
    while len(which):
        number += 1
        readings = rng.standard_normal(len(which)) + mean(number)
        over = sums.take(readings)
        signal = over.any(axis=0)
        if not signal.any():
            continue
        first = signal & (lengths[which] == 0)
        if number == 1:
            first &= np.abs(readings) <= held_beyond
        lengths[which[first]] = number
        tipped[which[first]] = over[:, first].argmax(axis=0)
        if own:
            ended = over[own].any(axis=0) & beside_open[which]
            beside[which[ended]] = number
            beside_open[which[ended]] = False
        goes_on = (lengths[which] == 0) | beside_open[which]
        if not goes_on.all():
            sums.keep(goes_on)
            which = which[goes_on]
    return lengths, beside, tipped


def combined_rows(
    arl0: float, *, shifts: Sequence[float] = (), drifts: Sequence[float] = ()
) -> list[dict[str, float | None]]:
    """Rows of ``design --chart combined``: shifts, then drifts, in the order asked, each with its standard error.

    >>> (row,) = combined_rows(1000.0, shifts=[1.0])
    >>> list(row), abs(row["mean_run_length"] - 12.8) < 0.2  # methods §5, three CUSUMs
    (['shift', 'mean_run_length', 'standard_error'], True)
    """
    rows: list[dict[str, float | None]] = []
    sizes = [("shift", size) for size in shifts] + [("drift", size) for size in drifts]
    # Rows that cost much share what one alone may take.
    rare = len({abs(size) for kind, size in sizes if kind == "shift" and abs(size) < SMALL_SHIFT})
    for kind, size in sizes:
        if kind == "shift" and abs(size) < SMALL_SHIFT:
            found = mean_run_length(arl0, shift=abs(size), aim=CYCLES_ERROR * math.sqrt(max(float(rare), 1.0)))
        else:
            steps = min(MOST_STEPS, STEPS_A_CALL / len(sizes))
            found = mean_run_length(arl0, **{kind: abs(size)}, most_steps=steps)
        rows.append({kind: size, "mean_run_length": found.mean, "standard_error": found.standard_error})
    return rows
