"""The chart core: has the level of a series moved, against its reference or against all it was before?

For every split of the checks so far into *before* and *after*, with weighted means and W = Σ 1/v,

    Δ = mean_after − mean_before,   s² = 1/W_after + 1/W_before + (f_after − f_before)² · p
    L_d = (d · a − d²/2) / s²,      a = max(0, |Δ| − δ₀),   d = 2kσ,  k = ¼, ½, 1.1

is the logarithm of the likelihood ratio of a shift by d against none. p is the variance of the present source's bridge,
which more readings on that source do not average away; f is the share of readings on it; δ₀ the dead band. The
reference, with its own variance, serves as another *before*. The largest L_d over splits, divided by its threshold, is
the statistic. With a known reference (1/W_before = 0), no bridge and no dead band the maximum over splits of L_d *is* the
likelihood-ratio CUSUM for shift d (Page), and the core is three two-sided CUSUMs at once.
Splits lie on a geometric grid of distances. A single check cannot alarm: what lies beyond four standard deviations is held
back as an outlier until the next check confirms it, and what lies within stays below every threshold in use. A reference
that is known exactly (variance 0) leaves nothing for the past to add, so there the past is not asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints, Rows
from analytics.charts.budget import SHORTEST_DAYS, SIZES_K, threshold_nats
from analytics.charts.padded import Rectangle, Sums, running_sums

LEAST_AFTER = 1  # checks after a split
LEAST_BEFORE = 4  # checks before a split
GRID_RATIO = 1.15
BLOCK_UNITS = 64  # worked on together: what they need stays in the processor's cache


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


def core_chart(
    rows: Rows,
    x: Floats,
    noise: Floats,
    persistent: Floats,
    admitted: Bools,
    pending: Bools,
    reference: Floats,
    reference_variance: Floats,
    arl0: Floats,
    dead_band: float,
) -> CoreChart:
    """Run the core over all units at once.

    x, noise, persistent: per row (baseline.forward). reference, reference_variance: in force at each row, NaN where none.
    arl0: per row, checks between false alarms. dead_band: natural log. Units with fewer than six checks never signal.
    """
    box = Rectangle.of(rows)
    sums = running_sums(rows, box, x, noise, admitted, pending)
    base = x[rows.unit_first[:-1]] if len(x) else np.zeros(0)
    ref = box.spread(reference, np.nan) - base[:, None]
    ref_var = box.spread(reference_variance, np.inf)
    bridge = box.spread(persistent)
    sigma = np.sqrt(box.spread(noise, 1.0))
    # L_d / h as s⁻² · (a · A − B), with A = d/h and B = d²/2h of each size.
    sizes = []
    for k in SIZES_K:
        threshold = box.spread(threshold_nats(arl0, k), 1.0)
        d = 2.0 * k * sigma
        sizes.append((d / threshold, 0.5 * d * d / threshold))
    best = {side: np.zeros(box.shape) for side in (-1, 1)}
    where = {side: np.zeros(box.shape, np.int64) for side in (-1, 1)}
    change = {side: np.zeros(box.shape) for side in (-1, 1)}
    by_reference = {side: np.zeros(box.shape, bool) for side in (-1, 1)}
    for first in range(0, box.shape[0], BLOCK_UNITS):
        some = slice(first, first + BLOCK_UNITS)
        longest = int(np.diff(rows.unit_first[first : first + BLOCK_UNITS + 1]).max())
        part = (some, slice(0, longest))
        _search(
            Sums(sums.weight[part], sums.weighted[part], sums.checks[part], sums.run_weight[part]),
            ref[part],
            ref_var[part],
            bridge[part],
            [(a[part], b[part]) for a, b in sizes],
            {side: whole[part] for side, whole in best.items()},
            {side: whole[part] for side, whole in where.items()},
            {side: whole[part] for side, whole in change.items()},
            {side: whole[part] for side, whole in by_reference.items()},
            dead_band,
        )
    row = np.arange(len(rows.unit))
    low, high = box.back(best[-1]), box.back(best[1])
    reference_wins = np.where(low >= high, by_reference[-1][box.unit, box.place], by_reference[1][box.unit, box.place])
    return CoreChart(
        low,
        high,
        reference_wins,
        row - where[-1][box.unit, box.place] + 1,
        row - where[1][box.unit, box.place] + 1,
        box.back(change[-1]),
        box.back(change[1]),
    )


def _search(
    sums: Sums,
    ref: Floats,
    ref_var: Floats,
    bridge: Floats,
    sizes: list[tuple[Floats, Floats]],
    best: dict[int, Floats],
    where: dict[int, Ints],
    change: dict[int, Floats],
    by_reference: dict[int, Bools],
    dead_band: float,
) -> None:
    """Try all splits of some units; views of the rectangles, of which the last four are filled in."""
    for m in split_distances(ref.shape[1]):
        after = sums.weight[:, m:] - sums.weight[:, :-m]
        before = sums.weight[:, :-m]
        ok = (
            (sums.checks[:, m:] - sums.checks[:, :-m] > LEAST_AFTER - 0.5)
            & (after > 0)
            & (sums.checks[:, :-m] > LEAST_BEFORE - 0.5)
        )
        safe_after, safe_before = np.where(after > 0, after, 1.0), np.where(before > 0, before, 1.0)
        inverse = 1.0 / safe_after
        mean_after = (sums.weighted[:, m:] - sums.weighted[:, :-m]) * inverse
        run, p = sums.run_weight[:, m:], bridge[:, m:]
        share_after = np.minimum(after, run) * inverse
        share_before = np.maximum(run - after, 0.0) / safe_before
        for is_reference in (False, True):
            if is_reference:
                delta = mean_after - ref[:, m:]
                variance = inverse + ref_var[:, m:] + share_after**2 * p
            else:
                delta = mean_after - sums.weighted[:, :-m] / safe_before
                variance = inverse + 1.0 / safe_before + (share_after - share_before) ** 2 * p
                variance = np.where(ref_var[:, m:] > 0, variance, np.inf)
            amount = np.maximum(np.abs(delta) - dead_band, 0.0)
            ratio = amount * sizes[0][0][:, m:] - sizes[0][1][:, m:]
            for a, b in sizes[1:]:
                np.maximum(ratio, amount * a[:, m:] - b[:, m:], out=ratio)
            ratio = np.where(ok, ratio / variance, 0.0)
            for side in (-1, 1):
                better = (ratio > best[side][:, m:]) & (delta * side > 0)
                if better.any():
                    best[side][:, m:][better] = ratio[better]
                    where[side][:, m:][better] = m
                    change[side][:, m:][better] = delta[better]
                    by_reference[side][:, m:][better] = is_reference
