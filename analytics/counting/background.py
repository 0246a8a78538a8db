"""The background of a check: its own, else the last one within seven days, else the running level, else none.

Strictly causal: only backgrounds taken at or before the moment are used. A background of the same check belongs to
it also when it was counted after the source; the check is complete only then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.counting.arrays import Codes, Floats, Ints, Kinds, Times, order_by, starts_of
from analytics.counting.columns import BACKGROUND, Countings
from analytics.counting.dead_time import factor, true_rate
from analytics.counting.tables import BORROWED, GROSS, OWN, RUNNING, Backgrounds, series_keys

BORROW_US = 7 * 86_400_000_000
RUNNING_BLOCKS = 10      # background checks that make the running level
# Day-to-day spread of a background of which fewer than three are known (assumption, no source).
_ASSUMED_SPREAD = 0.20


@dataclass(frozen=True)
class Blocks:
    """Background countings pooled by check, sorted as the countings are. Row = one check's background."""

    rows: Ints            # rows of the background countings in the countings
    start: Ints           # first place of each block in ``rows``
    length: Ints
    group: Ints
    probe: Codes
    window: Codes
    owner: Ints           # probe × window
    collimator: Codes     # of the last counting
    readout: Codes
    last_at: Times
    counts: Floats
    time_s: Floats
    rounding_counts2: Floats
    rate_cps: Floats
    rate_var: Floats


def pooled_rate(
    counts: Floats, time_s: Floats, rounding_counts2: Floats, dead_time_s: Floats, model: Kinds,
) -> tuple[Floats, Floats]:
    """Dead-time corrected rate (1/s) and its variance, F²·(N + rounding)/T²; zero counts carry the variance of one.

    With N = 0 the estimate N of the variance would claim a certainty nobody has; 1 is what one count more would say.
    """
    observed = counts / time_s
    rate = true_rate(observed, dead_time_s, model)
    spread = (np.maximum(counts, 1.0) + rounding_counts2) / time_s**2
    return rate, spread * factor(rate, dead_time_s, model) ** 2


def blocks(countings: Countings, group: Ints) -> Blocks:
    """The background of every check that has one."""
    rows = np.flatnonzero(countings.measurement == BACKGROUND)
    start = starts_of(group[rows])
    length = np.diff(np.append(start, len(rows)))
    last = rows[start + length - 1]
    member = np.repeat(np.arange(len(start)), length)

    def total(values: Floats) -> Floats:
        # bincount adds row by row, so a block's sum depends on nothing but its own rows
        return np.bincount(member, weights=values[rows], minlength=len(start)).astype(np.float64)

    counts, time_s = total(countings.counts), total(countings.count_time_s)
    rounding = total(countings.rounding_counts2)
    probe, window = countings.probe[last], countings.window[last]
    tau, model = countings.probes.dead_time_s[probe], countings.probes.dead_time_model[probe]
    rate, variance = pooled_rate(counts, time_s, rounding, tau, model)
    return Blocks(
        rows=rows, start=start, length=length, group=group[last], probe=probe, window=window,
        owner=probe.astype(np.int64) * (len(countings.names.window) + 1) + window,
        collimator=countings.collimator[last], readout=countings.readout[last], last_at=countings.taken_at[last],
        counts=counts, time_s=time_s, rounding_counts2=rounding, rate_cps=rate, rate_var=variance)


@dataclass(frozen=True)
class Paired:
    """The background each state of a check is corrected with."""

    kind: Kinds
    counts: Floats        # NaN for running and gross
    time_s: Floats
    rate_cps: Floats      # 0 for gross
    rate_var: Floats
    first_block: Ints     # blocks used that are not the check's own: [first_block, last_block], −1 for none
    last_block: Ints


def pair(
    group: Ints, owner: Ints, at: Times, own_counts: Floats, own_time_s: Floats, own_rounding: Floats,
    dead_time_s: Floats, model: Kinds, earlier: Blocks,
) -> Paired:
    """A background for every state: one row a state.

    group, owner, at: check, probe × window and moment of the state; own_*: what the check itself has counted of
    background up to that moment (time 0: nothing). `owner` must be coded as in ``earlier.owner``.
    """
    rows = len(group)
    out = Paired(
        kind=np.full(rows, GROSS, np.int8), counts=np.full(rows, np.nan), time_s=np.full(rows, np.nan),
        rate_cps=np.zeros(rows), rate_var=np.zeros(rows),
        first_block=np.full(rows, -1, np.int64), last_block=np.full(rows, -1, np.int64))

    own = own_time_s > 0
    out.kind[own] = OWN
    out.counts[own], out.time_s[own] = own_counts[own], own_time_s[own]
    out.rate_cps[own], out.rate_var[own] = pooled_rate(
        own_counts[own], own_time_s[own], own_rounding[own], dead_time_s[own], model[own])

    # Checks are numbered in time within a probe and window, so the last block of an earlier check is the one before.
    need = np.flatnonzero(~own)
    if len(need) == 0 or len(earlier.group) == 0:
        return out
    block = np.searchsorted(earlier.group, group[need], side="left") - 1
    known = (block >= 0) & (earlier.owner[np.maximum(block, 0)] == owner[need])
    need, block = need[known], block[known]
    age = at[need].astype(np.int64) - earlier.last_at[block].astype(np.int64)
    near = age <= BORROW_US

    lent, lender = need[near], block[near]
    out.kind[lent] = BORROWED
    out.counts[lent], out.time_s[lent] = earlier.counts[lender], earlier.time_s[lender]
    out.rate_cps[lent], out.rate_var[lent] = earlier.rate_cps[lender], earlier.rate_var[lender]
    out.first_block[lent] = out.last_block[lent] = lender

    far, newest = need[~near], block[~near]
    out.kind[far] = RUNNING
    out.rate_cps[far], out.rate_var[far], oldest = running_level(newest, earlier)
    out.first_block[far], out.last_block[far] = oldest, newest
    return out


def running_level(newest: Ints, known: Blocks) -> tuple[Floats, Floats, Ints]:
    """Median of the last ten backgrounds up to block ``newest``, the variance of a further one, and the oldest used.

    The variance is s²(1 + 1/n) with s² the larger of the spread found and the counting variance. Below three
    backgrounds the spread is taken as 20 % of the level (assumption, no source).
    """
    first_of_owner = starts_of(known.owner)
    floor = np.repeat(first_of_owner, np.diff(np.append(first_of_owner, len(known.owner))))
    oldest = np.maximum(newest - RUNNING_BLOCKS + 1, floor[newest])
    n = newest - oldest + 1
    place = newest[:, None] - np.arange(RUNNING_BLOCKS)[None, :]
    inside = place >= oldest[:, None]
    place = np.maximum(place, 0)
    rates = np.where(inside, known.rate_cps[place], np.inf)
    ranked = np.sort(rates, axis=1)
    row = np.arange(len(newest))
    level = 0.5 * (ranked[row, (n - 1) // 2] + ranked[row, n // 2])
    counting = np.where(inside, known.rate_var[place], 0.0).sum(axis=1) / n
    mean = np.where(inside, rates, 0.0).sum(axis=1) / n
    deviation = np.where(inside, rates - mean[:, None], 0.0)
    found = (deviation**2).sum(axis=1) / np.maximum(n - 1, 1)
    spread = np.where(n >= 3, np.maximum(found, counting), counting + (_ASSUMED_SPREAD * level) ** 2)
    return level, spread * (1.0 + 1.0 / n), oldest


def background_points(known: Blocks, first_check: int) -> tuple[Backgrounds, Ints]:
    """The background quantity, and the check id of every block (from ``first_check`` on)."""
    none = np.full(len(known.group), -1, np.int32)
    keys, series = series_keys((known.probe, known.window, none, known.collimator, none))
    check = first_check + np.arange(len(known.group), dtype=np.int64)
    points = Backgrounds(
        keys=keys, series=series, check=check, check_at=known.last_at, readout=known.readout, counts=known.counts,
        time_s=known.time_s, rate_cps=known.rate_cps, rate_var=known.rate_var,
        flags=np.zeros(len(check), np.int32))
    order = order_by(series, known.last_at.astype(np.int64), check)
    return points.rows(order), check
