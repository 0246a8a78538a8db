"""What each check had counted after each moment at which one of its countings came in.

A check is worth what it holds so far: the first counting gives a value at once, repeats sharpen it, and a background
that comes after the source replaces a borrowed one. Every such state is a row here; the last one of a check is its
final value. An alarm tipped by a state can so be dated by that state's moment, and reads the same however much later
it is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.counting.arrays import (
    Bools,
    Floats,
    Ints,
    Times,
    days_between,
    lasts_of,
    ratio,
    segmented_cumsum,
    starts_of,
)
from analytics.counting.columns import BACKGROUND, SOURCE, Countings
from analytics.counting.nuclides import MOST_HALF_LIVES, decay_factor
from analytics.counting.subchecks import SubChecks

_SECONDS_PER_DAY = 86_400.0


@dataclass(frozen=True)
class States:
    """Row = one check after one moment, checks rising, moments rising within each."""

    check: Ints
    at: Times
    first_at: Times           # first source counting of the check
    is_last: Bools            # the check's final state
    latest_front: Ints        # row of the latest source counting in the countings
    counts: Floats            # sums over the source countings so far
    time_s: Floats
    rounding_counts2: Floats
    decayed_time_s: Floats    # Σ T·2^(−age/T½)
    age_time: Floats          # Σ T·age, d·s
    repeats: Floats
    reseated: Floats          # not counting a reseating before the first
    derived: Floats
    background_counts: Floats
    background_time_s: Floats
    background_rounding: Floats
    temperature_c: Floats     # means over the source countings that state it
    battery_pct: Floats
    on_minutes: Floats


class _Segments:
    """Running sums within runs of rows, exact where the values are whole numbers."""

    def __init__(self, start: Ints, rows: int) -> None:
        self.start = start
        self.of_row = np.repeat(np.arange(len(start)), np.diff(np.append(start, rows)))

    def running(self, values: Floats | Bools) -> Floats:
        if not values.any():
            return np.zeros(len(values))
        numbers = values.astype(np.float64, copy=False)
        if values.dtype == bool or _whole(numbers):
            # Whole numbers add up without rounding, so one pass over everything gives the same digits.
            total = np.cumsum(values, dtype=np.float64)
            before = total[self.start] - values[self.start]
            return np.asarray(total - before[self.of_row])
        return segmented_cumsum(numbers[:, None], self.start)[:, 0]


def _whole(values: Floats) -> bool:
    return bool((values == np.floor(values)).all()) and float(values.sum()) < 2**52


def check_states(countings: Countings, subs: SubChecks) -> States:
    """All states of all checks (sub-checks), from their source countings and their own backgrounds."""
    kind = countings.measurement[subs.rows]
    part = (kind == SOURCE) | (kind == BACKGROUND)
    rows, sub, front = subs.rows[part], subs.of_row[part], kind[part] == SOURCE
    start = starts_of(sub)
    segments = _Segments(start, len(rows))
    at = countings.taken_at[rows]
    repeats = segments.running(front)
    # Countings of one moment (numbered repeats) come in together: one state a moment.
    ends = np.ones(len(rows), bool)
    ends[:-1] = (sub[1:] != sub[:-1]) | (at[1:] != at[:-1])
    state = np.flatnonzero(ends & (repeats > 0))
    is_last = np.zeros(len(rows), bool)
    is_last[lasts_of(start, len(rows))] = True

    counts, time_s, rounding = countings.counts[rows], countings.count_time_s[rows], countings.rounding_counts2[rows]
    source = countings.source[rows]
    # Mid-counting: what is left of the activity averaged over the counting, to second order.
    age = days_between(at, countings.sources.reference_at[source]) + 0.5 * time_s / _SECONDS_PER_DAY
    half_life = countings.sources.half_life_days[source]
    absurd = np.abs(age) > MOST_HALF_LIVES * half_life
    left = decay_factor(half_life, np.where(absurd, np.nan, age) if absurd.any() else age)
    first_front, latest_front = _fronts(front, segments.of_row)
    again = countings.reseated[rows] & front
    again[first_front[again[first_front]]] = False

    def so_far(values: Floats | Bools) -> Floats:
        return segments.running(values)[state]

    def of_front(values: Floats) -> Floats:
        return so_far(np.where(front, values, 0.0))

    def of_blank(values: Floats) -> Floats:
        return so_far(np.where(front, 0.0, values))

    def mean(values: Floats) -> Floats:
        stated = front & ~np.isnan(values)
        if not stated.any():
            return np.full(len(state), np.nan)
        return ratio(so_far(np.where(stated, values, 0.0)), so_far(stated))

    return States(
        check=sub[state], at=at[state], first_at=at[first_front][segments.of_row[state]], is_last=is_last[state],
        latest_front=rows[latest_front[state]],
        counts=of_front(counts), time_s=of_front(time_s), rounding_counts2=of_front(rounding),
        decayed_time_s=of_front(time_s * left), age_time=of_front(time_s * age), repeats=repeats[state],
        reseated=so_far(again), derived=so_far(countings.derived[rows] & front),
        background_counts=of_blank(counts), background_time_s=of_blank(time_s), background_rounding=of_blank(rounding),
        temperature_c=mean(countings.temperature_c[rows]), battery_pct=mean(countings.battery_pct[rows]),
        on_minutes=mean(countings.on_minutes[rows]))


def _fronts(front: Bools, segment: Ints) -> tuple[Ints, Ints]:
    """First source counting of each segment, and the latest one at or before each row. Every segment has one."""
    place = np.flatnonzero(front)
    first = place[starts_of(segment[place])]
    latest = np.maximum.accumulate(np.where(front, np.arange(len(front)), 0)) if len(front) else place
    return first, np.maximum(latest, first[segment]) if len(front) else latest
