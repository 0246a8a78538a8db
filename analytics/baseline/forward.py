"""One pass forward in time: what is shared is taken off each reading, using nothing that came later.

At the first of each month the references and the placing spread of every unit are estimated from earlier checks and
then stand for that month. Within the month each reading at instant t is corrected by the robust mean of what the
*other* probes did on its source in the days before t. The model (methods, shared movement):

    y = α(unit) + c(source, t) + δ(unit, t) + ε,    ĉ = robust mean of (y − α̂) over the neighbours,    x = y − ĉ
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analytics.baseline.heard import Known, Queries, steep_slopes, what_is_shared
from analytics.baseline.neighbours import timelines
from analytics.baseline.noise import FleetPlacing, PlacingSpread
from analytics.baseline.reference import References, references
from analytics.baseline.rows import CLOSED_AFTER_DAYS, Floats, Ints, Rows

BRIDGE = 0.05**2  # most variance of a bridge that is carried as common to all readings on the source
MOVE = 0.02**2  # what a source is expected to move by while in use, before anything is seen (prior variance)
LEAST_FOR_NEIGHBOUR = 2  # checks in its reference before a unit speaks for a source
START_CHECKS = 5
RECENT = 8  # checks whose median is a neighbour's present level
MOVED_SURELY, MOVED_AT_LEAST = (
    3.0,
    0.015,
)  # standard errors and log size from which a neighbour has plainly moved itself


@dataclass(frozen=True)
class SharedPriors:
    """What the certificates say; arrays of length sources (variance of the log activity)."""

    activity_variance: Floats


@dataclass(frozen=True)
class Corrected:
    """Per row (arrays of length n) and per unit what the pass made of the readings."""

    x: Floats  # log response with the shared movement taken off
    shift: Floats  # ĉ that was taken off
    shift_var: Floats
    noise: Floats  # variance of x: counting (expected), placing, independent part of ĉ
    persistent: Floats  # variance of ĉ that does not average away on this source
    speakers: Ints  # probes that spoke for the source (the judged one not counted)
    placing: Floats  # s² in force for the row
    alpha_then: Floats  # reference in force at the row's month (NaN: none yet)
    alpha_var_then: Floats
    anchor_then: (
        Floats  # level the unit was held against at the row's month: its reference, or its own level once it had moved
    )
    start_then: Floats  # level of the unit's first five checks, as known at the row's month: a source that falls while references form shows whole
    alpha: Floats  # [units] reference at the end
    alpha_var: Floats
    reference_checks: Ints  # [units]
    unit_placing: Floats  # [units]
    references: References  # [units] the same, and whether the reference period itself moved


Votes = tuple[Floats, Floats]  # of every unit for the fleet's placing


@dataclass(frozen=True)
class Earlier:
    """A pass over the same rows up to a month start, from which it is gone on.

    Nothing more need be kept of it: all that a pass carries from month to month is made of what it said of the rows before,
    so that it is made anew from them.
    """

    month: int  # number of the month start in ``edges``, at least 1: all rows before it are as they were
    made: Corrected  # of these rows; what it says of units, and of rows from the month start on, is not used
    votes: Votes  # of every unit one month start earlier; zeros where that is the first


Walk = Generator[Votes, float | None, Corrected]


def month_starts(first_day: float, last_day: float) -> Floats:
    """First of every month from the one that holds ``first_day`` to the one after ``last_day``, as days since 1970."""
    low = np.datetime64(int(np.floor(first_day)), "D").astype("datetime64[M]")
    high = np.datetime64(int(np.floor(last_day)), "D").astype("datetime64[M]")
    months = np.arange(low, high + 2)
    return months.astype("datetime64[D]").astype(np.int64).astype(np.float64)


def walk(
    months: Walk, placing: FleetPlacing | None = None, votes: list[Votes] | None = None, first_halt: int = 1
) -> Corrected:
    """Go through a pass to its end.

    placing: where its rows are a part of a fleet; None: they are all of it. votes: takes in what is said of the fleet's placing.
    first_halt: number of the month start at which it halts first.
    """
    answer: float | None = None
    month = first_halt - 1
    try:
        while True:
            said = next(months) if month < first_halt else months.send(answer)
            month += 1
            if votes is not None:
                votes.append(said)
            answer = None if placing is None or placing.variance is None else float(placing.variance[month])
    except StopIteration as end:
        made: Corrected = end.value
        return made


def walk_by_months(  # noqa: PLR0915 -- one pass, read from top to bottom
    rows: Rows,
    counting_variance: Floats,
    expected_variance: Callable[[Ints, Floats], Floats],
    placements: Floats,
    priors: SharedPriors,
    *,
    reference_checks: int,
    window_days: float,
    least_probes: int,
    placing_prior: float,
    placing_prior_checks: float,
    edges: Floats | None = None,
    earlier: Earlier | None = None,
) -> Walk:
    """The pass over all rows, which halts at every month start but the first, and at the end.

    There it yields what the rows say of the fleet's placing (``PlacingSpread.votes``), and is sent the fleet's s² or None, where
    these rows are the whole fleet. Without any rows it does not halt.

    counting_variance: [n] from the observed counts. expected_variance(rows_index, expected_y) -> variance from expected
    counts. placements: [n] independent placings in a check. Too few probes on a source: nothing is taken off.
    edges: month starts of the whole fleet, where these rows are a part of it. earlier: where it is gone on with; it then halts
    first at that month start.
    """
    n, units = len(rows.unit), rows.units
    x, shift, noise = rows.y.copy(), np.zeros(n), np.full(n, np.nan)
    persistent, placing_row = np.zeros(n), np.full(n, placing_prior)
    alpha_then, alpha_var_then = np.full(n, np.nan), np.full(n, np.nan)
    anchor_then, start_then = np.full(n, np.nan), np.full(n, np.nan)
    speakers, shift_var = np.zeros(n, np.int64), np.zeros(n)
    alpha, alpha_var = np.full(units, np.nan), np.full(units, np.inf)
    table, table_var, table_at = (np.full((units, reference_checks), np.nan) for _ in range(3))
    recent = np.full((units, RECENT), np.nan)
    anchor, anchor_var, start = alpha.copy(), alpha_var.copy(), alpha.copy()
    in_reference = np.zeros(units, np.int64)
    home = np.full(units, -1)
    spread = PlacingSpread.empty(units)
    unit_placing = np.full(units, placing_prior)
    if n == 0:
        return Corrected(
            x,
            shift,
            shift_var,
            noise,
            persistent,
            speakers,
            placing_row,
            alpha_then,
            alpha_var_then,
            anchor_then,
            start_then,
            alpha,
            alpha_var,
            in_reference,
            unit_placing,
            references(table, table_var, table),
        )
    lines = timelines(rows, counting_variance, len(priors.activity_variance))
    home = rows.source[rows.unit_first[:-1]]
    by_time = np.lexsort((rows.unit, rows.at_days))
    closed_at = rows.first_days + CLOSED_AFTER_DAYS
    if edges is None:
        edges = month_starts(float(rows.at_days.min()), float(rows.at_days.max()))
    cut = np.searchsorted(rows.at_days[by_time], edges)
    previous = _previous_check(rows)
    settle = rows.last_rows
    settle = settle[np.argsort(closed_at[settle], kind="stable")]
    settle_cut = np.searchsorted(closed_at[settle], edges, side="right")
    begin = 0
    if earlier is not None:
        begin, been = earlier.month, earlier.made
        stood = by_time[: cut[begin]]
        for now_so, was_so in (
            (x, been.x), (shift, been.shift), (shift_var, been.shift_var), (noise, been.noise), (persistent, been.persistent),
            (speakers, been.speakers), (placing_row, been.placing), (alpha_then, been.alpha_then),
            (alpha_var_then, been.alpha_var_then), (anchor_then, been.anchor_then), (start_then, been.start_then),
        ):  # fmt: skip
            now_so[stood] = was_so[stood]
        past = settle[settle_cut[0] : settle_cut[begin - 1]]
        # A check that closes at a month start with a counting at that very moment was taken in before that one was corrected.
        raw = past[rows.at_days[past] >= edges[np.searchsorted(edges, closed_at[past])]]
        x_then, noise_then = x.copy(), noise.copy()
        x_then[raw], noise_then[raw] = rows.y[raw], np.nan
        _into_tables(rows, past, x_then, noise_then, table, table_var, table_at, reference_checks)
        _into_references(np.unique(rows.unit[past]), table, table_var, table_at, alpha, alpha_var, start, in_reference)
        recent[rows.unit[past], rows.ordinal[past] % RECENT] = x_then[past]
        batches = [settle[low:high] for low, high in pairwise(settle_cut[:begin].tolist())]
        spread = PlacingSpread.standing(earlier.votes, [rows.unit[one[previous[one] >= 0]] for one in batches], 2 * reference_checks)

    for month in range(begin, len(edges) - 1):
        # Checks closed in the month before: into references and placing spread.
        if month > 0:
            fresh = settle[settle_cut[month - 1] : settle_cut[month]]
            _take_in(rows, previous, fresh, x, noise, placing_row, placements, table, table_var, table_at, spread, reference_checks)
            touched = np.unique(rows.unit[fresh[rows.ordinal[fresh] < reference_checks]])
            _into_references(touched, table, table_var, table_at, alpha, alpha_var, start, in_reference)
            fleet = yield spread.votes()
            unit_placing, _ = spread.estimate(placing_prior, placing_prior_checks, fleet)
            recent[rows.unit[fresh], rows.ordinal[fresh] % RECENT] = x[fresh]
            anchor, anchor_var = _anchors(alpha, alpha_var, recent, unit_placing)
        now = by_time[cut[month] : cut[month + 1]]
        if len(now) == 0:
            continue
        unit, source = rows.unit[now], rows.source[now]
        known = Known(anchor, anchor_var, unit_placing)
        steep = steep_slopes(lines, edges[month], known, in_reference > 0, rows.unit_probe, window_days, least_probes)
        asked = Queries(source, rows.at_days[now], rows.probe[now], rows.jig[now], rows.readout[now])
        ready = in_reference >= LEAST_FOR_NEIGHBOUR
        said = what_is_shared(lines, asked, steep, known, ready, rows.unit_probe, window_days, least_probes)
        count = said.speakers
        at_home = source == home[unit]
        prior = np.where(at_home, MOVE, priors.activity_variance[source] + priors.activity_variance[home[unit]])
        told_apart = count >= least_probes - 1
        seen = np.where(told_apart, said.value, 0.0)
        seen_var = np.where(told_apart, said.variance, 1.0)
        # Shrunk towards no movement, but a movement that is plain to see is taken off whole.
        weight = np.where(told_apart, (prior + seen**2) / (prior + seen**2 + seen_var), 0.0)
        shift[now] = weight * seen
        variance = np.where(told_apart, weight * seen_var, np.where(at_home, 0.0, prior))
        lasting_share = np.where(told_apart, said.lasting_share, 1.0)
        persistent[now] = np.where(at_home & ~told_apart, 0.0, variance * lasting_share)
        speakers[now], shift_var[now] = count, variance
        x[now] = rows.y[now] - shift[now]
        anchor_then[now], start_then[now] = anchor[unit], start[unit]
        alpha_then[now], alpha_var_then[now] = alpha[unit], alpha_var[unit]
        expected = np.where(np.isfinite(alpha[unit]), alpha[unit] + shift[now], rows.y[now])
        placing_row[now] = unit_placing[unit]
        # A bridge that is hardly known (a new source nobody else was read on yet) makes the reading weigh little, for good.
        loose = np.maximum(persistent[now] - BRIDGE, 0.0)
        persistent[now] -= loose
        counting = expected_variance(rows.index[now], expected)
        # What is expected may lie beyond the dead-time model, though what was counted does not: then as it was counted.
        noise[now] = (
            np.where(np.isnan(counting), counting_variance[now], counting)
            + unit_placing[unit] / placements[now]
            + variance * (1.0 - lasting_share)
            + loose
        )
    fresh = settle[settle_cut[-2] :]
    _take_in(rows, previous, fresh, x, noise, placing_row, placements, table, table_var, table_at, spread, reference_checks)
    made = references(table, table_var, table_at)
    fleet = yield spread.votes()
    return Corrected(
        x,
        shift,
        shift_var,
        noise,
        persistent,
        speakers,
        placing_row,
        alpha_then,
        alpha_var_then,
        anchor_then,
        start_then,
        made.value,
        made.variance,
        np.isfinite(table).sum(axis=1),
        spread.estimate(placing_prior, placing_prior_checks, fleet)[0],
        made,
    )


def _anchors(alpha: Floats, alpha_var: Floats, recent: Floats, placing: Floats) -> tuple[Floats, Floats]:
    """The level each unit is held against when it speaks for a source.

    Its reference, or, once it has plainly moved away from that, its present level. A probe that lost a tenth still tells what the source did last month.
    """
    ordered = np.sort(recent, axis=1)
    known = np.isfinite(recent).sum(axis=1)
    row = np.arange(len(alpha))
    level = 0.5 * (ordered[row, np.maximum((known - 1) // 2, 0)] + ordered[row, np.minimum(known // 2, RECENT - 1)])
    width = ordered[row, np.maximum(known - 1 - known // 4, 0)] - ordered[row, np.minimum(known // 4, RECENT - 1)]
    error = np.sqrt((np.pi / 2.0) * np.maximum((width / 1.349) ** 2, placing) / np.maximum(known, 1))
    away = level - alpha
    moved = (known >= 5) & (np.abs(away) > MOVED_SURELY * error) & (np.abs(away) > MOVED_AT_LEAST)
    return np.where(moved, level, alpha), np.where(moved, error**2 + (0.2 * away) ** 2, alpha_var)


def _take_in(
    rows: Rows,
    previous: Ints,
    fresh: Ints,
    x: Floats,
    noise: Floats,
    placing: Floats,
    placements: Floats,
    table: Floats,
    table_var: Floats,
    table_at: Floats,
    spread: PlacingSpread,
    reference_checks: int,
) -> None:
    """Put closed checks into the reference tables and their differences to the check before into the placing spread."""
    _into_tables(rows, fresh, x, noise, table, table_var, table_at, reference_checks)
    second = fresh[previous[fresh] >= 0]
    before = previous[second]
    counting = np.maximum(noise[second] - placing[second] / placements[second], 0.0) + np.maximum(
        noise[before] - placing[before] / placements[before], 0.0
    )
    spread.add(rows.unit[second], x[second] - x[before], counting, placing[second], 2 * reference_checks)


def _into_tables(
    rows: Rows, fresh: Ints, x: Floats, noise: Floats, table: Floats, table_var: Floats, table_at: Floats, reference_checks: int
) -> None:
    """Put the first checks of every unit into the reference tables."""
    early = fresh[rows.ordinal[fresh] < reference_checks]
    table[rows.unit[early], rows.ordinal[early]] = x[early]
    table_var[rows.unit[early], rows.ordinal[early]] = noise[early]
    table_at[rows.unit[early], rows.ordinal[early]] = rows.first_days[early]


def _into_references(
    touched: Ints, table: Floats, table_var: Floats, table_at: Floats, alpha: Floats, alpha_var: Floats, start: Floats,
    in_reference: Ints,
) -> None:
    """References of the units whose tables have changed."""
    if len(touched) == 0:
        return
    made = references(table[touched], table_var[touched], table_at[touched])
    alpha[touched], alpha_var[touched] = made.value, made.variance
    begin = (table[touched, :START_CHECKS], table_var[touched, :START_CHECKS], table_at[touched, :START_CHECKS])
    start[touched] = references(*begin).value
    in_reference[touched] = np.isfinite(table[touched]).sum(axis=1)


def _previous_check(rows: Rows) -> Ints:
    """Last row of the check before, in the same unit; −1 for the first check of a unit."""
    last = rows.last_rows
    out = np.full(len(rows.unit), -1)
    number = rows.number
    before = last[np.maximum(number - 1, 0)]
    has = rows.ordinal > 0
    out[has] = before[has]
    return out
