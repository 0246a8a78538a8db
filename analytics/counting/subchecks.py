"""A check splits by what was counted: one sub-check a jig, collimator and check source. Its number is the check id.

Two sources read in one session are two points of one series, which is what bridges an old source to a new one.
Side and offset-window countings go to the sub-check with the same jig, collimator and source, else (their jig is
often not written down) to the first one of the same source; without a centred counting they go nowhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.counting.arrays import Bools, Codes, Ints, expand_ranges, starts_of
from analytics.counting.columns import BACKGROUND, SIDE, SOURCE, WINDOW_ABOVE, WINDOW_BELOW, Countings


@dataclass(frozen=True)
class SubChecks:
    """Row = check id. ``rows``/``of_row`` list every counting of every sub-check, in time order within each."""

    group: Ints
    probe: Codes
    window: Codes
    jig: Codes
    collimator: Codes
    source: Codes
    rows: Ints      # rows of the countings: source, own background, side and offset windows
    of_row: Ints    # the sub-check each of them belongs to, rising

    def __len__(self) -> int:
        return len(self.group)


def split(countings: Countings, group: Ints) -> SubChecks:
    """The sub-checks of all checks with at least one counting on a source."""
    fronts = np.flatnonzero((countings.measurement == SOURCE) & (countings.source >= 0))
    key = _full_key(countings, group, fronts)
    order = np.argsort(key, kind="stable")
    start = starts_of(key[order])
    first = fronts[order][start]
    number = np.empty(len(fronts), np.int64)
    number[order] = np.repeat(np.arange(len(start)), np.diff(np.append(start, len(fronts))))
    sub_group = group[first]

    beside = np.flatnonzero(_attachable(countings))
    attached = _attach(countings, group, beside, key[order][start], first)
    beside, attached = beside[attached >= 0], attached[attached >= 0]

    blanks = np.flatnonzero(countings.measurement == BACKGROUND)
    low = np.searchsorted(sub_group, group[blanks], side="left")
    high = np.searchsorted(sub_group, group[blanks], side="right")
    blank_sub = expand_ranges(low, high - low)

    rows = np.concatenate((fronts, beside, np.repeat(blanks, high - low)))
    of_row = np.concatenate((number, attached, blank_sub))
    placed = np.argsort(of_row * max(len(group), 1) + rows, kind="stable")
    return SubChecks(
        group=sub_group, probe=countings.probe[first], window=countings.window[first], jig=countings.jig[first],
        collimator=countings.collimator[first], source=countings.source[first], rows=rows[placed],
        of_row=of_row[placed])


def _attachable(countings: Countings) -> Bools:
    kind = countings.measurement
    offset = (kind == WINDOW_BELOW) | (kind == WINDOW_ABOVE)
    return np.asarray(((kind == SIDE) | offset) & (countings.source >= 0))


def _source_key(countings: Countings, group: Ints, rows: Ints) -> Ints:
    return group[rows] * (len(countings.names.source) + 1) + countings.source[rows]


def _full_key(countings: Countings, group: Ints, rows: Ints) -> Ints:
    """Sorts by check, source, jig, collimator; none first."""
    jigs, collimators = len(countings.names.jig) + 1, len(countings.names.collimator) + 1
    with_jig = _source_key(countings, group, rows) * jigs + countings.jig[rows] + 1
    return with_jig * collimators + countings.collimator[rows] + 1


def _attach(countings: Countings, group: Ints, rows: Ints, sub_key: Ints, sub_first: Ints) -> Ints:
    """Sub-check of each row: the exact one, else the first of that check and source, else −1."""
    if len(rows) == 0 or len(sub_key) == 0:
        return np.full(len(rows), -1, np.int64)
    wanted = _full_key(countings, group, rows)
    exact = np.minimum(np.searchsorted(sub_key, wanted), len(sub_key) - 1)
    by_source = _source_key(countings, group, sub_first)
    source = _source_key(countings, group, rows)
    first = np.minimum(np.searchsorted(by_source, source), len(sub_key) - 1)
    loose = np.where(by_source[first] == source, first, -1)
    return np.where(sub_key[exact] == wanted, exact, loose).astype(np.int64)
