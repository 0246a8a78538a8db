"""One group gone on with after some of its probes have other records: what cannot have altered is not worked out again.

Counting is of a probe alone: only those with other records are counted. The pass goes on from the month of the first row that
is another (``forward.Earlier``). Then only probes are charted and judged of which a row came out of the pass otherwise than it
was, to the last bit: those that heard the new reading, or were heard differently after it. Devices of the group are judged anew.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.advice.told_apart import Untold, untold
from analytics.baseline.forward import Corrected, Earlier, Votes, walk
from analytics.baseline.rows import Floats, Ints, days
from analytics.charts.response import ResponseCharts, chart_rows, pass_over
from analytics.counting.response import CountingOf
from analytics.drift.state import Fitted, fitted
from analytics.fleet import FleetConstants, answer
from analytics.records.snapshot import Records
from analytics.records.standing import Standing
from analytics.settings import Settings
from analytics.spread import stages
from analytics.spread.group import (
    AT_THE_END,
    MEASURED,
    OF_CHECKS,
    OF_REFERENCES,
    PASSED,
    Columns,
    GroupNames,
    Stand,
    corrected_of,
    differ,
    joined,
    keys_of,
    measured_of,
    picked,
)
from analytics.spread.partition import DEVICES, Part, Used, part_records, used
from analytics.spread.stages import PartAnswer, Prepared, SlopeVotes, Span
from analytics.together import Checks, told_of


@dataclass(frozen=True)
class GoneOn:
    """What came of it."""

    stand: Stand
    probes: Ints  # codes in the group of those that were judged again
    slopes: SlopeVotes  # of these probes, whose codes are the fleet's
    span: Span
    used: Used  # of the probes that were counted again because their records are others
    answer: PartAnswer  # of these probes, and of all devices of the group


class CannotGoOnError(Exception):
    """It is no matter of this group alone."""


def gone_on(
    before: Stand, names: GroupNames, altered: frozenset[str], now: Standing, settings: Settings, as_of: datetime, fleet: FleetConstants
) -> GoneOn:
    """The group with the records of now. altered: its probes whose records are others than when it stood as ``before``.

    Raises:
        CannotGoOnError: it shares a device with another group now, or names one that nobody had; or a month begins.
    """
    edges = fleet.placing.edges
    some = np.union1d(names.codes(altered), _likely(before, names, altered, now)).astype(np.int64)
    prepared = _prepared(names, frozenset(names.of["probe"][some]), now, settings, as_of)
    measured, devices = _measured(prepared), used(prepared.part.records.readings)
    if len(measured["at_days"]) and not edges[0] <= measured["at_days"].min() <= measured["at_days"].max() < edges[-1]:
        raise CannotGoOnError
    stand, month, units = _exchanged(before, some, prepared, measured, edges)
    stand = _passed(stand, before, month, units, prepared, settings, fleet)
    touched = np.union1d(some, _otherwise(before, stand, some)).astype(np.int64)
    charts, stand, prepared = _charted(stand, touched, some, prepared, names, now, settings, as_of)
    apart = _untold(stand, names, settings)
    while len(more := np.setdiff1d(_other_words(before.apart, apart), touched)):
        touched = np.union1d(touched, more).astype(np.int64)
        charts, stand, prepared = _charted(stand, touched, some, prepared, names, now, settings, as_of)
        apart = _untold(stand, names, settings)
    fits = fitted(charts)
    made = stages.slopes((prepared, charts), fits)
    return GoneOn(
        replace(stand, apart=apart),
        touched,
        replace(made, probe=names.fleet_code[made.probe]),
        stages.span(prepared),
        devices,
        _answer(stand, names, apart, prepared, charts, fits, now, settings, as_of, fleet),
    )


def _likely(before: Stand, names: GroupNames, altered: frozenset[str], now: Standing) -> Ints:
    """Probes that probably heard the newest reading of the altered ones: they are counted together with these, and not after them."""
    readings = now.now.readings
    codes = readings["probe"].cat.codes.to_numpy()
    mine = np.flatnonzero(np.append(readings["probe"].cat.categories.isin(list(altered)), False)[codes])
    if len(mine) == 0:
        return np.zeros(0, np.int64)
    newest = readings.iloc[mine[int(readings["reading_id"].to_numpy()[mine].argmax())]]
    source = names.of["source"].get_indexer(pd.Index([newest["source"]], dtype=object))[0]
    at = float(days(np.array([newest["taken_at"]], "datetime64[us]"))[0])
    rows = before.rows
    return np.unique(rows["probe"][(rows["source"] == source) & (rows["at_days"] > at)])


def _prepared(names: GroupNames, probes: frozenset[str], now: Standing, settings: Settings, as_of: datetime) -> Prepared:
    """Some probes of the group, counted."""
    try:
        readings = names.categories(now.readings_of(probes))
    except KeyError as device:
        raise CannotGoOnError from device
    records = part_records(_of_group(now.now, names), readings, probes)
    return stages.prepare(Part(records, {}), settings, as_of)


def _of_group(records: Records, names: GroupNames) -> Records:
    """The registry of sources as far as it is the group's."""
    return replace(records, sources=records.sources[records.sources["source"].isin(names.of["source"])].reset_index(drop=True))


def _measured(prepared: Prepared) -> Columns:
    states = prepared.counted.response_states
    return measured_of(prepared.rows, CountingOf.states(states), states.log_var, states.placements)


def _exchanged(before: Stand, some: Ints, prepared: Prepared, measured: Columns, edges: Floats) -> tuple[Stand, int, Ints]:
    """The group with the rows of some probes exchanged, all it was before kept on rows of before the month that is gone on from.

    Also the number of that month's start, and for each unit the one it was (−1: none that began before that month).
    """
    counted, rows = prepared.counted, prepared.rows
    keys = keys_of(rows.unit_series, counted.response.keys, counted.names)
    old_rows, old_units = before.rows_of(some), before.units_of(some)
    was = picked(before.rows, old_rows)
    was_keys = [key for key, mine in zip(before.keys, old_units, strict=True) if mine]
    number = {key: place for place, key in enumerate({*keys, *was_keys})}
    was_key, now_key = (
        np.array([number[one] for one in of], np.int64)[np.cumsum(table["starts"]) - 1]
        for of, table in ((was_keys, was), (keys, measured))
    )
    first = _first_otherwise(was | {"key": was_key}, measured | {"key": now_key})
    month = len(edges) - 1 if not np.isfinite(first) else int(np.searchsorted(edges, first, side="right")) - 1
    held = {name: np.zeros(len(rows.unit), before.rows[name].dtype) for name in PASSED}
    early_was, early_now = was["at_days"] < edges[month], measured["at_days"] < edges[month]
    if not _alike(picked(was, early_was), picked(measured, early_now)):
        month, early_was, early_now = 0, early_was & False, early_now & False
    for name in PASSED:
        held[name][early_now] = was[name][early_was]
    unit = np.full(rows.units, -1, np.int64)
    # Rows of before that month are the same and stand in the same order, so that they tell which unit is which.
    unit[rows.unit[early_now]] = np.flatnonzero(old_units)[np.cumsum(was["starts"])[early_was] - 1]
    keep_rows, keep_units = ~old_rows, ~old_units
    table = joined(picked(before.rows, keep_rows), measured | held | {"pending": np.zeros(len(rows.unit), bool)})
    blank = {name: np.zeros(rows.units, before.units[name].dtype) for name in before.units} | {"probe": rows.unit_probe}
    kept = picked(before.units, keep_units)
    order = np.argsort(np.concatenate([kept["probe"], blank["probe"]]), kind="stable")
    both = [*(key for key, mine in zip(before.keys, keep_units, strict=True) if mine), *keys]
    units = np.concatenate([np.flatnonzero(keep_units), unit])[order]
    checks = Checks.of(counted.response)
    stand = Stand(
        table,
        joined(kept, blank),
        tuple(both[place] for place in order),
        before.votes,
        joined(picked(before.checks, ~np.isin(before.checks["probe"], some)), {name: getattr(checks, name) for name in OF_CHECKS}),
        before.apart,
    )
    return stand, month, units


def _alike(was: Columns, now: Columns) -> bool:
    """Whether these rows are the same, in the order in which they stand."""
    return len(was["y"]) == len(now["y"]) and not any(
        differ(was[name], now[name].astype(was[name].dtype)).any() for name in (*MEASURED, "starts")
    )


def _first_otherwise(was: Columns, now: Columns) -> float:
    """Moment before which all rows are the same; inf where all are."""
    order_was, order_now = (np.argsort(one["at_days"], kind="stable") for one in (was, now))
    n = min(len(order_was), len(order_now))
    other = np.zeros(n, bool)
    for name in (*MEASURED, "starts", "key"):
        other |= differ(was[name][order_was[:n]], now[name][order_now[:n]].astype(was[name].dtype))
    at = int(np.argmax(other)) if other.any() else n
    moments = [one["at_days"][order[at]] for one, order in ((was, order_was), (now, order_now)) if at < len(order)]
    return float(min(moments, default=np.inf))


def _passed(
    stand: Stand, before: Stand, month: int, units: Ints, prepared: Prepared, settings: Settings, fleet: FleetConstants
) -> Stand:
    """The group after the pass from that month on."""
    halts = len(fleet.placing.edges) - 1
    known = units >= 0
    votes = [np.zeros((halts, len(units))) for _ in range(2)]
    first_halt = max(month, 1)
    for to, of in zip(votes, before.votes, strict=True):
        if len(of):
            to[: first_halt - 1, known] = of[: first_halt - 1, units[known]]
    at = (votes[0][month - 2], votes[1][month - 2]) if month > 1 else (np.zeros(len(units)), np.zeros(len(units)))
    earlier = Earlier(month, stand.corrected(), at) if month else None
    rows, said = stand.as_rows, list[Votes]()
    made = walk(
        pass_over(
            rows, stand.counting(), stand.rows["log_var"], stand.rows["placements"], prepared.activity_variance, settings,
            fleet.placing.edges, earlier,
        ),
        fleet.placing, said, first_halt,
    )  # fmt: skip
    for halt, one in enumerate(said, first_halt - 1):
        votes[0][halt], votes[1][halt] = one
    return stand.with_pass(made, (votes[0], votes[1]))


def _otherwise(before: Stand, now: Stand, some: Ints) -> Ints:
    """Probes beside ``some`` of which the pass says other things now."""
    was_rows, was_units = ~before.rows_of(some), ~before.units_of(some)
    rows, units = ~now.rows_of(some), ~now.units_of(some)
    other_row, other_unit = np.zeros(int(rows.sum()), bool), np.zeros(int(units.sum()), bool)
    for name in PASSED:
        other_row |= differ(before.rows[name][was_rows], now.rows[name][rows])
    for name in (*AT_THE_END, *OF_REFERENCES):
        other_unit |= differ(before.units[name][was_units], now.units[name][units])
    return np.union1d(now.rows["probe"][rows][other_row], now.units["probe"][units][other_unit])


def _charted(
    stand: Stand, touched: Ints, some: Ints, prepared: Prepared, names: GroupNames, now: Standing, settings: Settings, as_of: datetime
) -> tuple[ResponseCharts, Stand, Prepared]:
    """The charts of these probes. prepared: of ``some``, which will do where there are no others."""
    if not np.array_equal(touched, some):
        prepared = _prepared(names, frozenset(names.of["probe"][touched]), now, settings, as_of)
    rows, units = stand.rows_of(touched), stand.units_of(touched)
    mine: Corrected = corrected_of(stand.corrected(), rows, units)
    if len(mine.x) != len(prepared.rows.unit) or not np.array_equal(stand.rows["y"][rows], prepared.rows.y):
        raise CannotGoOnError  # a count that is not what it was although its records are
    counted = prepared.counted
    charts = chart_rows(prepared.rows, mine, counted.response_states, counted.names, prepared.known.events, settings)
    return charts, stand.with_charts(touched, charts), prepared


def _untold(stand: Stand, names: GroupNames, settings: Settings) -> Untold:
    return untold(stand.together(names.names).levels, names.names.source, settings.shared.least_probes)


def _other_words(was: Untold, now: Untold) -> Ints:
    """Probes of which something else is said."""
    return np.array(
        sorted(
            {
                probe
                for one, other in ((was.missing, now.missing), (was.remark, now.remark), (was.suspect, now.suspect))
                for probe in {*one, *other}
                if one.get(probe) != other.get(probe)
            }
        ),
        np.int64,
    )


def _answer(
    stand: Stand, names: GroupNames, apart: Untold, prepared: Prepared, charts: ResponseCharts, fits: Fitted, now: Standing,
    settings: Settings, as_of: datetime, fleet: FleetConstants,
) -> PartAnswer:
    """The answer for the probes that were charted, and for all devices of the group."""
    at = float(days(np.array([as_of], "datetime64[us]"))[0])
    told = told_of(stand.together(names.names), replace(prepared.known, probes=now.now.probes), settings, at, as_of, apart)
    made = answer(prepared.known, prepared.counted, charts, settings, as_of, fleet, told, fits)
    readings: pd.DataFrame = prepared.known.readings
    owner, source_checks = stages.owners(readings, readings["probe"].cat.codes.to_numpy(), prepared.counted)
    devices = {kind: frozenset(names.of[kind]) for kind in DEVICES}
    return PartAnswer(made, devices, np.append(names.fleet_code, -1)[owner], source_checks)

