"""The charts as they stood at an earlier moment, read off the one pass instead of run again.

The pass goes forward in time, so what it made of a row is what it made of it on the day. What a later row can still
change is little, and is made anew here: which of the newest checks stands alone (the next one may confirm it), the
reference of a unit (it takes in checks until it is full), which alarms had opened and not yet settled, and which
units were still in force.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import TypeVar

import numpy as np
import pandas as pd

from analytics.baseline.forward import Corrected
from analytics.baseline.reference import references
from analytics.baseline.rows import Bools, Ints, Rows, build_rows, days
from analytics.charts.core import CoreChart
from analytics.charts.levels import LevelChart
from analytics.charts.openings import Opening
from analytics.charts.outliers import find_outliers
from analytics.charts.quantities import QuantityChart, quantity_charts
from analytics.charts.response import ResponseCharts, chart_responses, unit_ends
from analytics.charts.spread import SpreadChart
from analytics.counting import count_records
from analytics.counting.tables import Counted
from analytics.cut import cut
from analytics.fleet import activity_variance
from analytics.records.snapshot import Records
from analytics.settings import Settings

Part = TypeVar("Part", CoreChart, SpreadChart, LevelChart)


@dataclass(frozen=True)
class Pass:
    """One pass over all records up to a moment, and all that is read from it."""

    records: Records  # cut to the moment
    settings: Settings
    until: datetime
    counted: Counted
    charts: ResponseCharts
    quantities: list[QuantityChart]


@dataclass(frozen=True)
class Then:
    """The charts as they stood at an earlier moment."""

    moment: datetime
    charts: ResponseCharts
    quantities: list[QuantityChart]
    events: pd.DataFrame


def run_pass(records: Records, settings: Settings, until: datetime) -> Pass:
    """The pass over everything dated at or before ``until``."""
    known = cut(records, until)
    counted = count_records(known, settings)
    charts = chart_responses(
        counted.response_states, counted.names, known.events, activity_variance(known, counted, settings), settings
    )
    return Pass(known, settings, until, counted, charts, quantity_charts(counted, known.events, settings))


def as_days(moment: datetime) -> float:
    """Days since 1970."""
    return float(days(np.array([moment], "datetime64[us]"))[0])


def then(whole: Pass, moment: datetime, probe: int | None = None) -> Then:
    """The charts at ``moment`` (not after ``whole.until``); of one probe alone where its code is given.

    A check whose countings lie on both sides of the moment is there with what it had; a window or side check of that
    kind comes with its last counting.
    """
    events = whole.records.events
    events = events[events["happened_at"] <= pd.Timestamp(moment)]
    return Then(
        moment,
        _charts(whole, as_days(moment), events, probe),
        [_quantity(one, as_days(moment), probe) for one in whole.quantities],
        events,
    )


def _charts(whole: Pass, now: float, events: pd.DataFrame, probe: int | None) -> ResponseCharts:
    states, full = whole.counted.response_states, whole.charts
    keep: Bools = days(states.check_at) <= now
    if probe is not None:
        keep = keep & (states.keys.probe[states.series] == probe)
    kept = np.flatnonzero(keep)
    rows = build_rows(states.rows(kept), events, whole.counted.names)
    index = kept[rows.index]
    rows = replace(rows, index=index)
    # Row of the whole pass that each row here is.
    place = np.full(len(states), -1, np.int64)
    place[full.rows.index] = np.arange(len(full.rows.index))
    old = place[index]
    c = _corrected(full.corrected, rows, old, whole.settings.reference.readings)
    placements = np.maximum(states.placements[index], 1).astype(float)
    outliers = find_outliers(rows, c.x, c.noise, c.persistent, placements)
    ends = unit_ends(rows, events, whole.counted.names)
    core, spread = _rows_of(full.core, old), _rows_of(full.spread, old)
    return ResponseCharts(rows, c, outliers, core, spread, full.ratio[old], _openings(full, old, now), ends)


def _rows_of(chart: Part, index: Ints) -> Part:
    return replace(chart, **{one.name: getattr(chart, one.name)[index] for one in fields(chart)})


def _corrected(c: Corrected, rows: Rows, old: Ints, reference_checks: int) -> Corrected:
    """What the pass made of these rows; references from the checks of then."""
    per_unit = ("alpha", "alpha_var", "reference_checks", "unit_placing", "references")
    kept = {one.name: getattr(c, one.name)[old] for one in fields(c) if one.name not in per_unit}
    table, table_var, table_at = (np.full((rows.units, reference_checks), np.nan) for _ in range(3))
    early = np.flatnonzero(rows.last & (rows.ordinal < reference_checks))
    place = rows.unit[early], rows.ordinal[early]
    table[place], table_var[place], table_at[place] = kept["x"][early], kept["noise"][early], rows.first_days[early]
    made = references(table, table_var, table_at)
    # The spread of placing in force at the newest row stands for the unit's.
    placing = kept["placing"][rows.unit_first[1:] - 1] if rows.units else np.zeros(0)
    return Corrected(
        **kept,
        alpha=made.value,
        alpha_var=made.variance,
        reference_checks=np.isfinite(table).sum(axis=1),
        unit_placing=placing,
        references=made,
    )


def _openings(full: ResponseCharts, old: Ints, now: float) -> list[Opening]:
    """Alarms that had opened, with the settling that had happened."""
    here = np.full(len(full.rows.index), -1, np.int64)
    here[old] = np.arange(len(old))
    out = []
    for one in full.openings:
        row = int(here[one.row])
        if row < 0:
            continue
        settled = one.settled_days
        if settled is not None and settled > now:
            settled = None
        out.append(replace(one, row=row, settled_days=settled))
    return out


def _quantity(chart: QuantityChart, now: float, probe: int | None) -> QuantityChart:
    keep: Bools = chart.at_days <= now
    if probe is not None and len(chart.series):
        keep = keep & (chart.keys.probe[chart.series] == probe)
    index = np.flatnonzero(keep)
    names = [
        one.name for one in fields(chart) if one.name not in ("quantity", "keys", "chart", "openings")
    ]
    picked = {name: getattr(chart, name)[index] for name in names}
    return replace(chart, **picked, chart=_rows_of(chart.chart, index), openings=[])

