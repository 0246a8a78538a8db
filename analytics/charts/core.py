"""The chart core: has the level of a series moved, against its reference or against all it was before?

For every split of the checks so far into *before* and *after*, with weighted means and W = Σ 1/v,

    Δ = mean_after − mean_before,   s² = 1/W_after + 1/W_before + (f_after − f_before)² · p
    L_d = (d · a − d²/2) / s²,      a = max(0, |Δ| − δ₀),   d = 2kσ,  k = ¼, ½, 1.1

is the logarithm of the likelihood ratio of a shift by d against none. p is the variance of the present source's bridge,
which more readings on that source do not average away; f is the share of readings on it; δ₀ the dead band. The
reference, with its own variance, serves as another *before*. The largest L_d over splits, divided by its threshold, is
the statistic. With a known reference (1/W_before = 0), no bridge and no dead band the maximum over splits of L_d *is* the
likelihood-ratio CUSUM for shift d (Page), and the core is three two-sided CUSUMs at once.
Splits lie on a geometric grid of distances. In service a single check cannot alarm: what lies beyond four standard deviations
is held back as an outlier until the next check confirms it, and a split has two checks after it at least. Falls and rises
have thresholds of their own (``budget.run_lengths_of_sides``). A reference
that is known exactly (variance 0) leaves nothing for the past to add, so there the past is not asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints, Rows
from analytics.charts.budget import SHORTEST_DAYS, SIZES_K, threshold_nats
from analytics.charts.running import Sums
from analytics.charts.split_search import HIGH, LEAST_AFTER, LOW, search

GRID_RATIO = 1.15


@dataclass(frozen=True)
class CoreInputs:
    """What the search for splits is given; arrays per row unless said otherwise."""

    sums: Floats  # [4, rows] Σ 1/v, Σ x/v, checks, Σ 1/v on the present source
    reference: Floats  # from the first x of the unit
    reference_variance: Floats
    persistent: Floats
    sizes: Floats  # [side, 2 sizes, rows] d/h and d²/2h of each size in turn
    dead_band: float
    least_after: int


@dataclass(frozen=True)
class CoreChart:
    """Arrays per row; a ratio above 1 signals."""

    ratio_low: Floats
    ratio_high: Floats
    against_reference: (
        Bools  # the larger ratio came from the reference (rule "cusum"), else from the past ("change_point")
    )
    onset_row_low: Ints  # first row after the best split
    onset_row_high: Ints
    change_low: Floats  # Δ at the best split, natural log
    change_high: Floats


def split_distances(longest: int) -> list[int]:
    """Distances of splits from the newest row: 1, 2, 3 … then growing by 15 %.

    >>> split_distances(20)
    [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 16, 18]
    """
    out, distance = [], 1
    while distance < longest:
        out.append(distance)
        distance = max(distance + 1, int(distance * GRID_RATIO))
    return out


def interval_days(rows: Rows) -> Floats:
    """Mean interval between the checks of the unit so far, per row; a week where there is only one."""
    began = rows.at_days[rows.unit_first[:-1]][rows.unit] if len(rows.unit) else rows.at_days
    gap = (rows.at_days - began) / np.maximum(rows.ordinal, 1)
    return np.where(rows.ordinal > 0, np.maximum(gap, SHORTEST_DAYS), 7.0)


def core_inputs(
    rows: Rows, x: Floats, noise: Floats, persistent: Floats, sums: Sums, reference: Floats, reference_variance: Floats,
    arl0: tuple[Floats, Floats], dead_band: float, least_after: int = LEAST_AFTER,
) -> CoreInputs:
    """What the core is run on, over all units at once.

    x, noise, persistent: per row (baseline.forward). sums: their running sums. reference, reference_variance: in force at each
    row, NaN where none. arl0: for falls and for rises, per row: checks between false alarms of a chart with that threshold on
    both sides. dead_band: natural log. least_after: checks that a split needs after it.
    """
    known = np.stack([sums.weight, sums.weighted, sums.checks, sums.run_weight])
    sigma = np.sqrt(noise)
    # L_d / h as s⁻² · (a · A − B), with A = d/h and B = d²/2h of each size.
    sizes = np.empty((2, 2 * len(SIZES_K), len(x)))
    for side in (LOW, HIGH):
        for k, size in enumerate(SIZES_K):
            threshold, d = threshold_nats(arl0[side], size), 2.0 * size * sigma
            sizes[side, 2 * k], sizes[side, 2 * k + 1] = d / threshold, 0.5 * d * d / threshold
    base = x[rows.unit_first[:-1]][rows.unit] if len(x) else x
    return CoreInputs(known, reference - base, reference_variance, persistent, sizes, dead_band, least_after)


def chart_of(unit_first: Ints, given: CoreInputs) -> CoreChart:
    """The core run over units that lie one after the other; those with fewer than five checks never signal. unit_first: [units + 1]."""
    n = given.sums.shape[1]
    if n == 0:
        none = np.zeros(0)
        return CoreChart(none, none, np.zeros(0, bool), np.zeros(0, np.int64), np.zeros(0, np.int64), none, none)
    longest = int(np.diff(unit_first).max())
    ratio, change = np.zeros((2, n)), np.zeros((2, n))
    where, by_reference = np.zeros((2, n), np.int64), np.zeros((2, n), np.int64)
    search(
        unit_first, np.array(split_distances(longest), np.int64), given.sums, given.reference, given.reference_variance,
        given.persistent, given.sizes, given.dead_band, given.least_after, ratio, change, where, by_reference,
    )
    row, winner = np.arange(n), (ratio[HIGH] > ratio[LOW]).astype(int)
    return CoreChart(
        ratio[LOW], ratio[HIGH], by_reference[winner, row] == 1, row - where[LOW] + 1, row - where[HIGH] + 1, change[LOW], change[HIGH],
    )
