"""Timelines of every source: what each unit read on it, with running sums.

For a reading of one probe at instant t on source k, a *neighbour* is a unit of another probe with readings on k in
(t − window, t]. The mean of its log responses there is a difference of running sums over the (source, unit) timeline.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from analytics.baseline.rows import Floats, Ints, Rows
from analytics.counting.arrays import order_by, segmented_cumsum


class Timelines(NamedTuple):
    """Rows sorted by (source, unit, time) with running sums; one timeline a (source, unit) pair."""

    pair_unit: Ints  # [pairs], sorted by source
    pair_jig: Ints
    pair_from: Floats  # first and last instant of the pair, days
    pair_to: Floats
    offset: Ints  # [pairs + 1] into the sorted rows
    at_days: Floats  # [rows] sorted inside each pair
    readout: Ints  # [rows]
    sums: Floats  # [rows, 4] running sums inside each pair: number, log response, its variance, days since the pair began
    base: Floats  # [pairs] log response taken off before summing, so that the sums stay small
    source_first: Ints  # [sources + 1] offsets of the pairs of each source
    most: int  # pairs of one source


def timelines(rows: Rows, variance: Floats, sources: int) -> Timelines:
    """Running sums of every (source, unit) pair.

    variance: counting variance of each row's log response; it only weighs, so the observed one will do.
    """
    by_unit = order_by(rows.unit, rows.at_days)
    order = by_unit[np.argsort(rows.source[by_unit], kind="stable")]
    source, unit, at = rows.source[order], rows.unit[order], rows.at_days[order]
    new = np.ones(len(order), bool)
    new[1:] = (np.diff(source) != 0) | (np.diff(unit) != 0)
    starts = np.flatnonzero(new)
    offset = np.append(starts, len(order))
    base = rows.y[order][starts]
    pair = np.cumsum(new) - 1
    shifted = rows.y.copy()
    shifted[order] -= base[pair]
    since = rows.at_days.copy()
    since[order] -= at[starts][pair]
    steps = np.stack([rows.increment(values)[order] for values in (np.ones(len(order)), shifted, variance, since)], axis=1)
    source_first = np.searchsorted(source[starts], np.arange(sources + 1))
    return Timelines(
        pair_unit=unit[starts],
        pair_jig=rows.jig[order][starts],
        pair_from=at[starts],
        pair_to=at[offset[1:] - 1] if len(starts) else at[:0],
        offset=offset,
        at_days=at,
        readout=rows.readout[order],
        sums=segmented_cumsum(steps, starts),
        base=base,
        source_first=source_first,
        most=int(np.diff(source_first).max(initial=1)),
    )
