"""Which countings belong together: a check is what was counted with one probe and window within two hours.

The rule is anchored: walking forward in time, a counting joins the open check if it was taken at most two hours
after that check's *first* counting, else it opens the next one. So a later counting never moves an earlier one into
another check, and a day of hourly countings does not chain into one endless check, as it would if the gap to the
previous counting decided.
"""

from __future__ import annotations

import numpy as np

from analytics.counting.arrays import Bools, Ints, Times, starts_of

CHECK_SPAN_US = 2 * 3600 * 1_000_000


def check_groups(owner: Ints, taken_at: Times) -> Ints:
    """Number of the check of each counting, rising from 0.

    owner: code of probe × window, rows sorted by (owner, taken_at). Returns int64 of the same shape.

    >>> at = np.array(["2024-01-01T08:00", "2024-01-01T09:30", "2024-01-01T10:30", "2024-01-01T10:31"], "M8[us]")
    >>> check_groups(np.array([0, 0, 0, 1]), at).tolist()
    [0, 0, 1, 2]
    """
    rows = len(owner)
    if rows == 0:
        return np.empty(0, np.int64)
    time = taken_at.astype("datetime64[us]").astype(np.int64)
    # A new owner or a gap of more than two hours opens a check whatever came before.
    opens = np.ones(rows, dtype=bool)
    opens[1:] = (owner[1:] != owner[:-1]) | (time[1:] - time[:-1] > CHECK_SPAN_US)
    block_start = np.flatnonzero(opens)
    block_end = np.append(block_start[1:], rows)
    long = time[block_end - 1] - time[block_start] > CHECK_SPAN_US
    for first, end in zip(block_start[long], block_end[long], strict=True):
        opens[first + _anchors(time[first:end])] = True
    return np.cumsum(opens, dtype=np.int64) - 1


def _anchors(time: Ints) -> Ints:
    """Rows that open a check within one unbroken stretch of countings."""
    following = np.searchsorted(time, time + CHECK_SPAN_US, side="right")
    found = [0]
    while following[found[-1]] < len(time):
        found.append(int(following[found[-1]]))
    return np.array(found, dtype=np.int64)


def first_in_group(group: Ints) -> Bools:
    """True at the first row of every group."""
    out = np.zeros(len(group), dtype=bool)
    out[starts_of(group)] = True
    return out
