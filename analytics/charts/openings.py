"""From chart statistics over time to openings of alarms, each with the moment it is settled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints
from analytics.results import Direction, Rule

REARM = 0.8  # after settling, the statistic must have fallen below this before it may open again


@dataclass(frozen=True)
class Opening:
    """One opening of an alarm, in row numbers of the series it was seen on."""

    series: int
    rule: Rule
    row: int  # row that tipped it
    at_days: float
    onset_days: float | None
    settled_days: float | None
    direction: Direction
    change: float  # size when it opened, in the chart's scale
    detail: str


def open_and_settle(
    ratio: Floats, good: Bools, least_open: int = 1, check: Ints | None = None
) -> list[tuple[int, int | None]]:
    """Openings of one statistic of one unit: (row it tipped, row that settled it or None).

    ratio: statistic over threshold in row order; above 1 opens. good: rows after which an open alarm counts as settled.
    check: number of the check of each row; each row one, where not given. An alarm stays open for at least
    ``least_open`` checks; after settling it opens again only once the statistic has been below 0.8 in between.

    >>> open_and_settle(np.array([0., 2., 2., 0., 0., 2.]), np.array([0, 0, 0, 1, 1, 0], bool))
    [(1, 3), (5, None)]
    """
    out: list[tuple[int, int | None]] = []
    row, n = 0, len(ratio)
    number = np.arange(n) if check is None else check
    while True:
        over = np.flatnonzero(ratio[row:] > 1.0)
        if len(over) == 0:
            return out
        start = row + int(over[0])
        soonest = int(np.searchsorted(number, number[start] + least_open))
        calm = np.flatnonzero(good[soonest:])
        if len(calm) == 0:
            out.append((start, None))
            return out
        end = soonest + int(calm[0])
        out.append((start, end))
        low = np.flatnonzero(ratio[end:] < REARM)
        if len(low) == 0:
            return out
        row = end + int(low[0])
        if row >= n:
            return out


def first_rows(flag: Bools, unit: Ints) -> Ints:
    """Units that have any flagged row.

    >>> first_rows(np.array([False, True, True]), np.array([0, 1, 1])).tolist()
    [1]
    """
    return np.unique(unit[flag])
