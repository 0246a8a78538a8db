"""The running sums that the charts are made of: what was known of each unit up to each row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Rows
from analytics.counting.arrays import segmented_cumsum


@dataclass(frozen=True)
class Sums:
    """What was known up to each row; arrays per row."""

    weight: Floats  # Σ 1/v
    weighted: Floats  # Σ x/v
    checks: Floats  # number of checks
    run_weight: Floats  # Σ 1/v since the present source came into use


def accumulated(rows: Rows, admitted: Bools, pending: Bools, values: tuple[Floats, ...]) -> list[Floats]:
    """Running sums over admitted checks, per row; one confirmed by the next check enters at the last row of that one."""
    last = rows.last_rows
    number = rows.number
    carried = np.flatnonzero(pending & rows.last & admitted)  # came far off, was confirmed by the next check
    held = pending & admitted  # says nothing at its own moment
    target_number = number[carried] + 1
    ok = target_number < len(last)
    ok[ok] = rows.unit[last[target_number[ok]]] == rows.unit[carried[ok]]
    steps = np.empty((len(rows.unit), len(values)))
    for k, value in enumerate(values):
        steps[:, k] = rows.increment(np.where(held, 0.0, value))
        np.add.at(steps[:, k], last[target_number[ok]], value[carried[ok]])
    return list(np.ascontiguousarray(segmented_cumsum(steps, rows.unit_first[:-1]).T))


def running_sums(rows: Rows, x: Floats, noise: Floats, admitted: Bools, pending: Bools) -> Sums:
    """What the charts of the level are made of; x counts from the first row of its unit."""
    n = len(x)
    weight = np.where(admitted, 1.0 / noise, 0.0)
    base = x[rows.unit_first[:-1]][rows.unit] if n else x
    total, weighted, checks = accumulated(
        rows, admitted, pending, (weight, weight * (x - base), np.where(admitted, 1.0, 0.0))
    )
    if n == 0:
        return Sums(total, weighted, checks, total)
    same_source = np.zeros(n, bool)
    same_source[1:] = (rows.source[1:] == rows.source[:-1]) & (rows.unit[1:] == rows.unit[:-1])
    before = np.append(0.0, total[:-1])
    before[rows.unit_first[:-1]] = 0.0
    start = np.maximum.accumulate(np.where(~same_source, np.arange(n), 0))
    return Sums(total, weighted, checks, total - before[start])
