"""What the other probes on the same source read lately: window means for every pair of a reading and a neighbour.

For a reading of one probe at instant t on source k, a *neighbour* is a unit of another probe with readings on k in
(t − window, t]. The mean of its log responses there is a difference of running sums over the (source, unit) timeline.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints, Rows
from analytics.counting.arrays import segmented_cumsum


@dataclass(frozen=True)
class Timelines:
    """Rows sorted by (source, unit, time) with running sums; one timeline a (source, unit) pair."""

    pair_source: Ints  # [pairs], sorted
    pair_unit: Ints
    pair_jig: Ints
    pair_from: Floats  # first and last instant of the pair, days
    pair_to: Floats
    offset: Ints  # [pairs + 1] into the sorted rows
    at_days: Floats  # [rows] sorted inside each pair
    readout: Ints  # [rows]
    sum_n: Floats  # [rows] running sums inside each pair
    sum_y: Floats
    sum_v: Floats
    sum_t: Floats  # of days since the pair began
    base: Floats  # [pairs] log response taken off before summing, so that the sums stay small
    source_first: Ints  # [sources + 1] offsets of the pairs of each source


def timelines(rows: Rows, variance: Floats, sources: int) -> Timelines:
    """Running sums of every (source, unit) pair.

    variance: counting variance of each row's log response; it only weighs, so the observed one will do.
    """
    order = np.lexsort((rows.at_days, rows.unit, rows.source))
    source, unit, at = rows.source[order], rows.unit[order], rows.at_days[order]
    new = np.ones(len(order), bool)
    new[1:] = (np.diff(source) != 0) | (np.diff(unit) != 0)
    starts = np.flatnonzero(new)
    offset = np.append(starts, len(order))
    base = rows.y[order][starts]
    pair = np.cumsum(new) - 1
    shifted = rows.y.copy()
    shifted[order] -= base[pair]
    one = np.ones(len(order))
    since = rows.at_days.copy()
    since[order] -= at[starts][pair]

    def running(values: Floats) -> Floats:
        return segmented_cumsum(rows.increment(values)[order][:, None], starts)[:, 0]

    return Timelines(
        pair_source=source[starts],
        pair_unit=unit[starts],
        pair_jig=rows.jig[order][starts],
        pair_from=at[starts],
        pair_to=at[offset[1:] - 1] if len(starts) else at[:0],
        offset=offset,
        at_days=at,
        readout=rows.readout[order],
        sum_n=running(one),
        sum_y=running(shifted),
        sum_v=running(variance),
        sum_t=running(since),
        base=base,
        source_first=np.searchsorted(source[starts], np.arange(sources + 1)),
    )


@dataclass(frozen=True)
class Neighbours:
    """Window means of the neighbours of each query; arrays [most neighbours, queries], NaN/0 where there is none."""

    unit: Ints  # unit of the neighbour, -1 where none
    mean: Floats  # mean log response in the window
    variance: Floats  # mean counting variance of one reading in it
    checks: Floats  # number of checks in the window
    when: Floats  # mean day of the readings in it
    same_jig: Bools
    same_readout: Bools  # its newest reading in the window was on the control unit of the query

    def only(self, queries: Ints) -> Neighbours:
        """These queries alone."""
        return Neighbours(
            self.unit[:, queries], self.mean[:, queries], self.variance[:, queries], self.checks[:, queries], self.when[:, queries],
            self.same_jig[:, queries], self.same_readout[:, queries],
        )


def _lookup(lines: Timelines, pair: Ints, at: Floats) -> Ints:
    """Number of sorted rows of each pair at or before ``at``, as an offset into the running sums."""
    # One binary search for all: inside each pair's slice, bisect by halving.
    low, high = lines.offset[pair].copy(), lines.offset[pair + 1].copy()
    while True:
        open_ = low < high
        if not open_.any():
            return low
        middle = (low + high) // 2
        right = open_ & (lines.at_days[np.minimum(middle, len(lines.at_days) - 1)] <= at)
        low = np.where(right, middle + 1, low)
        high = np.where(open_ & ~right, middle, high)


def neighbours(
    lines: Timelines, source: Ints, at: Floats, probe: Ints, jig: Ints, readout: Ints, unit_probe: Ints,
    windows: Sequence[float],
) -> list[Neighbours]:
    """Neighbours of every query (source, instant, probe, jig, control unit): all units of other probes on the source.

    One answer for each of the ``windows`` (days, the longest first); a unit stands in the same row of all of them.
    """
    first, end = lines.source_first[source], lines.source_first[source + 1]
    if len(at):
        # Only pairs alive in the time these queries span can answer; drop the long dead before padding.
        alive = (lines.pair_from <= at.max()) & (lines.pair_to > at.min() - windows[0])
    else:
        alive = np.zeros(len(lines.pair_unit), bool)
    kept = np.flatnonzero(alive)
    first, end = np.searchsorted(kept, first), np.searchsorted(kept, end)
    most = int((end - first).max(initial=0))
    place = first[None, :] + np.arange(most)[:, None]
    valid = place < end[None, :]
    pair = kept[np.minimum(place, max(len(kept) - 1, 0))] if len(kept) else np.zeros(place.shape, np.int64)
    unit = lines.pair_unit[pair] if len(kept) else np.zeros(place.shape, np.int64)
    valid &= unit_probe[unit] != probe[None, :]
    which, query = np.nonzero(valid)
    pairs = pair[which, query]
    high = _lookup(lines, pairs, at[query])
    same_jig = lines.pair_jig[pair] == jig[None, :] if len(kept) else np.zeros(place.shape, bool)
    return [
        _in_window(lines, place.shape, which, query, pairs, high, at, window, unit, same_jig, readout) for window in windows
    ]


def _in_window(
    lines: Timelines, shape: tuple[int, ...], which: Ints, query: Ints, pairs: Ints, high: Ints, at: Floats, window: float,
    unit: Ints, same_jig: Bools, readout: Ints,
) -> Neighbours:
    """Means over (t − window, t]; ``high`` is where t stands in each pair's timeline."""
    low = _lookup(lines, pairs, at[query] - window)
    n, mean, variance, when = np.zeros(shape), np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)

    def inside(sums: Floats) -> Floats:
        begin = lines.offset[pairs]
        upto = np.where(high > begin, sums[np.maximum(high - 1, 0)], 0.0)
        return upto - np.where(low > begin, sums[np.maximum(low - 1, 0)], 0.0)

    count = np.rint(inside(lines.sum_n))
    total_y, total_v, total_t = inside(lines.sum_y), inside(lines.sum_v), inside(lines.sum_t)
    some = count > 0
    where, asked, of = which[some], query[some], pairs[some]
    count, total_y, total_v, total_t = count[some], total_y[some], total_v[some], total_t[some]
    n[where, asked] = count
    mean[where, asked] = total_y / count + lines.base[of]
    variance[where, asked] = np.maximum(total_v, 0.0) / count
    when[where, asked] = total_t / count + lines.pair_from[of]
    same_readout = np.zeros(shape, bool)
    newest = lines.readout[high[some] - 1]
    same_readout[where, asked] = (newest == readout[asked]) & (newest >= 0)
    return Neighbours(
        unit=np.where(n > 0, unit, -1), mean=mean, variance=variance, checks=n, when=when, same_jig=same_jig & (n > 0),
        same_readout=same_readout,
    )
