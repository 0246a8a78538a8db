"""How late the chart core is, beside the fastest detectors there can be, at one false alarm in 1000 readings.

    python tests/bench/chart_core_delays.py [--runs 4000]

Known reference, unit variance, dead band off, zero state, the signalling reading counted; x ~ N(mean, 1) with a step
(constant mean) or a drift (mean drift·t). Rows of the table:

oracle      knows size and shape of the change, not its sign; steps are computed here (CUSUM for that size), drifts
            were computed before by other code
three sums  the likelihood-ratio CUSUM for three sizes at once, every split, equal shares of the false alarms
any size    the likelihood ratio maximised over the size as well, (sum of the last n)²/2n, splits on the core's grid
core        ``analytics.charts.core`` as it is, with its splits and comparisons, after LEAST_BEFORE readings of 0

Each detector's threshold is found by simulation for a mean run length of 1000 in control; the core is shown at its own
threshold as well, with the run length in control that it really has.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from analytics.baseline.rows import Rows
from analytics.charts.budget import SIZES_K, threshold_nats
from analytics.charts.core import chart_of, core_inputs, split_distances
from analytics.charts.run_length import cusum_mean_run_lengths, cusum_threshold, likelihood_threshold_nats
from analytics.charts.running import running_sums
from analytics.charts.split_search import LEAST_AFTER, LEAST_BEFORE

Array = NDArray[np.float64]
Detector = Callable[[Array], Array]  # readings [run, t] -> statistic [run, t]

ARL0 = 1000.0
STEPS = (0.5, 1.0, 2.0, 3.0)
DRIFTS = (0.02, 0.05, 0.1, 0.2, 0.5)
ORACLE_DRIFTS = (38.6, 21.9, 14.2, 9.14, 5.07)
LIMITS = (1.10, 1.10, 1.10, 1.20, 1.10, 1.10, 1.10, 1.10, 1.10)
BLOCK = 250  # runs at a time


def three_sums(x: Array) -> Array:
    """Largest excess over the thresholds of three two-sided likelihood-ratio CUSUMs with equal shares, in nats."""
    d = 2.0 * np.array(SIZES_K)[:, None, None]
    signed = np.stack((x, -x))
    thresholds = np.array([likelihood_threshold_nats(k, 2.1 * ARL0) for k in SIZES_K])[:, None, None]
    sums, best = np.zeros((len(SIZES_K), 2, len(x))), np.empty(x.shape)
    for t in range(x.shape[1]):
        sums = np.maximum(0.0, sums + d * signed[:, :, t] - 0.5 * d * d)
        best[:, t] = (sums - thresholds).max(axis=(0, 1))
    return best


def any_size(x: Array) -> Array:
    """(Sum of the last n)²/2n, the largest over n = 1 and the core's grid of splits, in nats."""
    sums = np.concatenate((np.zeros((len(x), 1)), np.cumsum(x, axis=1)), axis=1)
    best = np.zeros(x.shape)
    for n in [1, *split_distances(x.shape[1])]:
        np.maximum(best[:, n - 1 :], (sums[:, n:] - sums[:, :-n]) ** 2 / (2.0 * n), out=best[:, n - 1 :])
    return best


def core(x: Array) -> Array:
    """The core's ratio of statistic to threshold, on units that each begin with LEAST_BEFORE readings of exactly 0."""
    runs, length = len(x), x.shape[1] + LEAST_BEFORE
    values = np.concatenate((np.zeros((runs, LEAST_BEFORE)), x), axis=1).ravel()
    n = runs * length
    unit, ordinal, yes = np.repeat(np.arange(runs), length), np.tile(np.arange(length), runs), np.ones(n, bool)
    one_source, number = np.zeros(n, np.int64), np.arange(n)
    days = ordinal * 7.0
    rows = Rows(
        index=number, unit=unit, series=unit, probe=unit, source=one_source, jig=one_source, readout=one_source,
        check=number, at_days=days,
        first_days=days, y=values, first=yes, last=yes, ordinal=ordinal, partial=~yes, unit_series=np.arange(runs),
        unit_probe=np.arange(runs), unit_first=np.arange(runs + 1) * length)
    sums = running_sums(rows, values, np.ones(n), yes, ~yes)
    given = core_inputs(
        rows, values, np.ones(n), np.zeros(n), sums, np.zeros(n), np.zeros(n), (np.full(n, ARL0), np.full(n, ARL0)), dead_band=0.0)
    chart = chart_of(rows.unit_first, given)
    ratio = np.maximum(chart.ratio_low, chart.ratio_high)
    return ratio.reshape(runs, length)[:, LEAST_BEFORE:]


def first_signals(detector: Detector, thresholds: Array, runs: int, length: int, seed: int, mean: Array) -> Array:
    """Reading of the first signal by [run, threshold]; length + 1 where there is none."""
    rng = np.random.default_rng(seed)
    found = []
    for begin in range(0, runs, BLOCK):
        x = rng.standard_normal((min(BLOCK, runs - begin), length)) + mean
        highest = np.maximum.accumulate(detector(x), axis=1)
        found.append(np.stack([(highest <= one).sum(axis=1) + 1 for one in thresholds], axis=1))
    return np.concatenate(found).astype(float)


def mean_run_length(signals: Array, length: int) -> float:
    """Mean of run lengths cut at ``length``, what is cut off being exponential with the later readings' rate."""
    seen, early = signals <= length, length / 4
    late = signals > early
    rate = (late & seen).sum() / (np.minimum(signals[late], length) - early).sum()
    return float(np.minimum(signals, length).mean() + (~seen).mean() / rate)


def threshold_for(detector: Detector, tried: Array, runs: int) -> tuple[float, list[float]]:
    """The threshold with a mean run length of ARL0 in control, and the run lengths of all that were tried."""
    length = int(2.5 * ARL0)
    signals = first_signals(detector, tried, runs, length, seed=1, mean=np.zeros(length))
    lengths = [mean_run_length(column, length) for column in signals.T]
    return float(np.interp(math.log(ARL0), np.log(lengths), tried)), lengths


def delays(detector: Detector, threshold: float, runs: int) -> list[float]:
    """Mean delay for each step, then for each drift."""
    means = [(np.full(400, step), seed) for seed, step in enumerate(STEPS, 10)]
    means += [(drift * np.arange(1, 201), seed) for seed, drift in enumerate(DRIFTS, 20)]
    tried = np.array([threshold])
    return [float(first_signals(detector, tried, runs, len(mean), seed, mean).mean()) for mean, seed in means]


def oracle() -> list[float]:
    """CUSUMs for each step's own size by computation; drifts as known."""
    steps = [cusum_mean_run_lengths(step / 2, cusum_threshold(step / 2, ARL0), shifts=[step])[0] for step in STEPS]
    return [*steps, *ORACLE_DRIFTS]


def show(name: str, values: list[float], note: str = "") -> None:
    """One line of the table."""
    sys.stdout.write(f"{name:<28}" + "".join(f"{value:>8.3g}" for value in values) + f"  {note}\n")
    sys.stdout.flush()


def main() -> int:
    """Print the table; 1 where the core is later than it may be."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--runs", type=int, default=4000, help="simulated runs for each figure")
    runs = parser.parse_args().runs
    head = [f"step {step:g}" for step in STEPS] + [f"d {drift:g}" for drift in DRIFTS]
    sys.stdout.write(f"{'mean delay, ARL0 1000':<28}" + "".join(f"{name:>8}" for name in head) + "\n")
    best = oracle()
    show("oracle", best)
    for name, detector, tried in (
        ("three sums", three_sums, np.linspace(-0.6, 0.6, 25)), ("any size", any_size, np.linspace(5.8, 7.6, 25))):
        threshold, _ = threshold_for(detector, tried, runs)
        values = delays(detector, threshold, 4 * runs)
        if detector is three_sums:
            nats = [threshold + likelihood_threshold_nats(k, 2.1 * ARL0) for k in SIZES_K]
            note = "thresholds " + ", ".join(f"{one:.2f}" for one in nats) + " nats"
        else:
            note = f"threshold {threshold:.2f} nats"
        show(name, values, note)
        show("  over oracle", [a / b for a, b in zip(values, best, strict=True)])
    tried = np.array([0.85, 0.9, 0.95, 1.0, 1.05, 1.1])
    scale, lengths = threshold_for(core, tried, runs)
    nats = [float(threshold_nats(np.array(ARL0), k)) for k in SIZES_K]
    late = 0
    for name, factor, note in (
        ("core, as it is", 1.0, f"run length in control {lengths[3]:.0f}"), ("core, at ARL0 1000", scale, "")):
        values = delays(core, factor, runs)
        show(name, values, note + " thresholds " + ", ".join(f"{factor * one:.2f}" for one in nats) + " nats")
        over = [a / b for a, b in zip(values, best, strict=True)]
        show("  over oracle", over, f"splits from {LEAST_AFTER} readings back")
        late = sum(a > b for a, b in zip(over, LIMITS, strict=True))
    show("at most", list(LIMITS))
    sys.stdout.write(f"core, at ARL0 1000: {late} of {len(LIMITS)} figures over the limit\n")
    return int(late > 0)


if __name__ == "__main__":
    sys.exit(main())
