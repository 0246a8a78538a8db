"""Array types, and sums inside segments whose last digit does not depend on what stands beside them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from analytics.compiled import compiled

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Kinds = npt.NDArray[np.int8]
Bools = npt.NDArray[np.bool_]
Times = npt.NDArray[np.datetime64]

MICROSECONDS_PER_DAY = 86_400_000_000


def starts_of(sorted_keys: npt.NDArray[Any]) -> Ints:
    """First row of every run of equal keys.

    >>> starts_of(np.array([3, 3, 5, 9, 9])).tolist()
    [0, 2, 3]
    """
    if len(sorted_keys) == 0:
        return np.empty(0, np.int64)
    return np.concatenate(([0], np.flatnonzero(sorted_keys[1:] != sorted_keys[:-1]) + 1)).astype(np.int64)


def lasts_of(starts: Ints, rows: int) -> Ints:
    """Last row of every run, from the first rows and the number of rows.

    >>> lasts_of(np.array([0, 2, 3]), 5).tolist()
    [1, 2, 4]
    """
    return np.append(starts[1:], rows).astype(np.int64)[: len(starts)] - 1


def in_order(*keys: npt.NDArray[Any]) -> bool:
    """Whether the rows stand in the order of the first key, then the second and so on.

    >>> in_order(np.array([1, 1, 2]), np.array([0.0, 5.0, 4.0])), in_order(np.array([1, 1, 2]), np.array([5.0, 0.0, 4.0]))
    (True, False)
    """
    alike = np.ones(max(len(keys[0]) - 1, 0), bool)
    for key in keys:
        if (alike & (key[1:] < key[:-1])).any():
            return False
        alike &= key[1:] == key[:-1]
    return True


def order_by(*keys: npt.NDArray[Any]) -> Ints:
    """Stable order by the first key, then the second and so on; quick where the rows stand in it already.

    >>> order_by(np.array([2, 1, 1]), np.array([0.0, 5.0, 4.0])).tolist()
    [2, 1, 0]
    """
    return np.arange(len(keys[0])) if in_order(*keys) else np.lexsort(keys[::-1])


def segmented_cumsum(columns: Floats, starts: Ints) -> Floats:
    """Running sums down each column, starting again at every segment.

    columns: (rows, k); starts: first row of each segment, rising, the first being 0. Each segment is summed on its
    own, in row order: a difference of running sums over the whole table would carry the rounding of the segments
    before it, and the answer for one probe would then depend on which other probes were asked for.

    >>> segmented_cumsum(np.array([[1.0], [2.0], [4.0]]), np.array([0, 2])).ravel().tolist()
    [1.0, 3.0, 4.0]
    """
    out = np.array(columns, np.float64, order="C")
    _add_up(out, starts)
    return out


@compiled
def _add_up(columns: Floats, starts: Ints) -> None:
    for segment in range(len(starts)):
        end = starts[segment + 1] if segment + 1 < len(starts) else len(columns)
        for row in range(starts[segment] + 1, end):
            for k in range(columns.shape[1]):
                columns[row, k] += columns[row - 1, k]


def expand_ranges(first: Ints, length: Ints) -> Ints:
    """All row numbers of the ranges first, first + 1, …, one range after the other.

    >>> expand_ranges(np.array([7, 2]), np.array([2, 3])).tolist()
    [7, 8, 2, 3, 4]
    """
    total = int(length.sum())
    offsets = np.repeat(np.cumsum(length) - length, length)
    return np.repeat(first, length) + np.arange(total, dtype=np.int64) - offsets


def days_between(later: Times, earlier: Times) -> Floats:
    """Days from earlier to later (negative where earlier is the later one); NaN where either is not known."""
    gap = (later.astype("datetime64[us]") - earlier.astype("datetime64[us]")).astype(np.int64).astype(np.float64)
    missing = np.isnat(later) | np.isnat(earlier)
    return np.where(missing, np.nan, gap / MICROSECONDS_PER_DAY)


def ratio(numerator: Floats, denominator: Floats) -> Floats:
    """numerator/denominator, NaN where the denominator is 0 or either is NaN.

    >>> ratio(np.array([1.0, 1.0]), np.array([2.0, 0.0])).tolist()
    [0.5, nan]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        out: Floats = np.where(denominator != 0, numerator / denominator, np.nan)
    return out
