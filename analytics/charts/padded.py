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


def running_sums(rows: Rows, box: Rectangle, x: Floats, noise: Floats, admitted: Bools, pending: Bools) -> Sums:
    """Running sums over admitted checks; a check confirmed by the next one enters at the last row of that one."""
    weight = np.where(admitted, 1.0 / noise, 0.0)
    base = x[rows.unit_first[:-1]][rows.unit] if len(x) else x
    shifted = x - base
    parts = []
    last = np.flatnonzero(rows.last)
    number = np.cumsum(rows.first) - 1
    late = pending & rows.last & admitted  # came far off, was confirmed by the next check
    held = pending & admitted  # says nothing at its own moment
    for value in (weight, weight * shifted, np.where(admitted, 1.0, 0.0)):
        own = np.where(held, 0.0, value)
        step = rows.increment(own)
        carried = np.flatnonzero(late)
        target_number = number[carried] + 1
        ok = target_number < len(last)
        np.add.at(step, last[target_number[ok]], value[carried[ok]])
        parts.append(step)
    new_run = rows.first.copy()
    same_source = np.zeros(len(x), bool)
    if len(x):
        same_source[1:] = (rows.source[1:] == rows.source[:-1]) & (rows.unit[1:] == rows.unit[:-1])
    new_run = ~same_source
    total = np.cumsum(box.spread(parts[0]), axis=1)
    row_total = box.back(total)
    before_run = np.where(new_run, row_total - parts[0], 0.0)
    start = np.maximum.accumulate(np.where(new_run, np.arange(len(x)), 0)) if len(x) else np.zeros(0, np.int64)
    run = row_total - before_run[start]
    return Sums(
        total, np.cumsum(box.spread(parts[1]), axis=1), np.cumsum(box.spread(parts[2]), axis=1), box.spread(run)
    )
