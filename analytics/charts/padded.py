"""Rows of many units as one rectangle, and the running sums the charts are made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints, Rows


@dataclass(frozen=True)
class Rectangle:
    """Place of every row in a [units, longest] rectangle."""

    unit: Ints
    place: Ints
    shape: tuple[int, int]

    @classmethod
    def of(cls, rows: Rows) -> Rectangle:
        """Rows of each unit from the left, in order."""
        place = np.arange(len(rows.unit)) - rows.unit_first[rows.unit]
        longest = int(np.diff(rows.unit_first).max(initial=0))
        return cls(rows.unit, place, (rows.units, longest))

    def spread(self, values: Floats, fill: float = 0.0) -> Floats:
        """Values per row into the rectangle."""
        out = np.full(self.shape, fill)
        out[self.unit, self.place] = values
        return out

    def back(self, rectangle: Floats) -> Floats:
        """Out of the rectangle, per row."""
        return np.asarray(rectangle[self.unit, self.place])


@dataclass(frozen=True)
class Sums:
    """What was known up to each row: arrays [units, longest]."""

    weight: Floats  # Σ 1/v
    weighted: Floats  # Σ x/v
    checks: Floats  # number of checks
    run_weight: Floats  # Σ 1/v since the present source came into use


def accumulated(
    rows: Rows, box: Rectangle, admitted: Bools, pending: Bools, values: tuple[Floats, ...]
) -> list[Floats]:
    """Running sums over admitted checks, each [units, longest]; one confirmed by the next check enters at the last row of that one."""
    last = np.flatnonzero(rows.last)
    number = np.cumsum(rows.first) - 1
    carried = np.flatnonzero(pending & rows.last & admitted)  # came far off, was confirmed by the next check
    held = pending & admitted  # says nothing at its own moment
    out = []
    for value in values:
        step = rows.increment(np.where(held, 0.0, value))
        target_number = number[carried] + 1
        ok = target_number < len(last)
        np.add.at(step, last[target_number[ok]], value[carried[ok]])
        out.append(np.cumsum(box.spread(step), axis=1))
    return out


def running_sums(rows: Rows, box: Rectangle, x: Floats, noise: Floats, admitted: Bools, pending: Bools) -> Sums:
    """What the charts of the level are made of."""
    weight = np.where(admitted, 1.0 / noise, 0.0)
    base = x[rows.unit_first[:-1]][rows.unit] if len(x) else x
    total, weighted, checks = accumulated(
        rows, box, admitted, pending, (weight, weight * (x - base), np.where(admitted, 1.0, 0.0))
    )
    same_source = np.zeros(len(x), bool)
    if len(x):
        same_source[1:] = (rows.source[1:] == rows.source[:-1]) & (rows.unit[1:] == rows.unit[:-1])
    row_total = box.back(total)
    step = row_total.copy()
    step[1:] -= row_total[:-1]
    step = np.where(box.place > 0, step, row_total)
    before_run = np.where(~same_source, row_total - step, 0.0)
    start = np.maximum.accumulate(np.where(~same_source, np.arange(len(x)), 0)) if len(x) else np.zeros(0, np.int64)
    return Sums(total, weighted, checks, box.spread(row_total - before_run[start]))
