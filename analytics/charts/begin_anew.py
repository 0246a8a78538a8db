"""A change that is over: the level is back, so the search for changes begins anew behind it.

A contact that cuts out pulls many checks far down. Once it is mended the level is where it was, but the likelihood of a change
somewhere in the past falls only slowly, and what lay low stays in the mean of *before*: the alarm would stand for years, and
the sound checks after it would be called a rise. So an alarm of the level ends at the first check at which

    |newest six checks − reference| + 3 standard errors < half of the change that alarmed

while the checks are calm and none is far off. Splits are then looked for behind that check only, and what lay between the
onset and the newest six is left out of what was before. Only what is known at the check decides, so nothing is said in hindsight.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analytics.baseline.rows import Bools, Floats, Rows
from analytics.charts.core import CoreChart, CoreInputs, chart_of
from analytics.charts.openings import open_and_settle

SURE = 3.0  # standard errors
SMALL = 0.5  # of its threshold, below which a statistic lets an alarm be settled


@dataclass(frozen=True)
class Back:
    """When the newest checks lie at the reference; arrays per row."""

    deviation: Floats  # mean of the newest six checks from the reference, natural log; NaN where there are too few
    error: Floats
    calm: Bools  # no scatter, none far off
    settle_checks: int


def begun_anew(
    rows: Rows, given: CoreInputs, chart: CoreChart, near: tuple[Bools, Bools], back: Back
) -> tuple[CoreChart, tuple[Bools, Bools]]:
    """The chart with every search begun anew where a change was over, and the rows that settle falls and rises.

    near: rows at which the level is no longer low, and no longer high: with a small statistic they settle an alarm anyway.
    """
    low, high = near[0] & (chart.ratio_low < SMALL), near[1] & (chart.ratio_high < SMALL)
    fields = {name: getattr(chart, name).copy() for name in CoreChart.__dataclass_fields__}
    over = (np.maximum(chart.ratio_low, chart.ratio_high) > 1.0) & ~rows.partial
    for unit in np.unique(rows.unit[over]).tolist():
        part = slice(int(rows.unit_first[unit]), int(rows.unit_first[unit + 1]))
        _unit(rows, part, given, fields, (low, high), near, back)
    return CoreChart(**fields), (low, high)


def _unit(
    rows: Rows, part: slice, given: CoreInputs, fields: dict[str, np.ndarray], calm: tuple[Bools, Bools], near: tuple[Bools, Bools], back: Back
) -> None:
    """One unit, in place."""
    mine = CoreInputs(
        given.sums[:, part].copy(), given.reference[part], given.reference_variance[part], given.persistent[part],
        np.ascontiguousarray(given.sizes[:, :, part]), given.dead_band, given.least_after,
    )
    ordinal, after = rows.ordinal[part], -1
    while True:
        found = _first_over(rows, part, fields, calm, back, after)
        if found is None:
            return
        side, at, onset = found
        after = at
        calm[side][part.start + at] = True
        newest = int(np.searchsorted(ordinal, ordinal[at] - back.settle_checks, side="right")) - 1  # last row of what went before
        _leave_out(mine.sums, onset - 1, newest)
        behind = mine.sums.copy()
        behind[2, :at] = 0.0  # no split lies before
        new = chart_of(np.array([0, len(ordinal)]), replace(mine, sums=behind))
        rest = slice(part.start + at + 1, part.stop)
        for name, values in fields.items():
            later = getattr(new, name)[at + 1 :]
            values[rest] = later + part.start if name.startswith("onset_row") else later
        calm[0][rest], calm[1][rest] = near[0][rest] & (fields["ratio_low"][rest] < SMALL), near[1][rest] & (fields["ratio_high"][rest] < SMALL)


def _first_over(
    rows: Rows, part: slice, fields: dict[str, np.ndarray], calm: tuple[Bools, Bools], back: Back, after: int
) -> tuple[int, int, int] | None:
    """Side, row and onset of the alarm that is over first, behind a row; rows count from the first of the unit."""
    best: tuple[int, int, int] | None = None
    partial, ordinal = rows.partial[part], rows.ordinal[part]
    for side, name in enumerate(("low", "high")):
        ratio = np.where(partial, 0.0, fields[f"ratio_{name}"][part])
        for start, end in open_and_settle(ratio, calm[side][part] & ~partial, back.settle_checks, ordinal):
            size = abs(float(fields[f"change_{name}"][part][start]))
            there = (np.abs(back.deviation[part]) + SURE * back.error[part] < 0.5 * size) & back.calm[part] & ~partial
            soonest = max(int(np.searchsorted(ordinal, ordinal[start] + back.settle_checks)), after + 1)
            hits = np.flatnonzero(there[soonest : len(there) if end is None else end])
            if len(hits) and (best is None or soonest + int(hits[0]) < best[1]):
                best = side, soonest + int(hits[0]), int(fields[f"onset_row_{name}"][part][start]) - part.start
    return best


def _leave_out(sums: Floats, before: int, last: int) -> None:
    """Take rows ``before + 1`` … ``last`` out of the running sums behind them, in place; before: −1 for none."""
    if last <= before:
        return
    start = sums[:3, before].copy() if before >= 0 else np.zeros(3)
    taken = sums[:3, last] - start
    behind = slice(last + 1, None)
    source_began = sums[0, behind] - sums[3, behind]  # Σ 1/v up to the present source
    in_run = np.clip(sums[0, last] - np.maximum(start[0], source_began), 0.0, None)
    sums[3, behind] = np.maximum(sums[3, behind] - in_run, 0.0)
    sums[:3, behind] -= taken[:, None]
