"""What the records and the charts have of each probe, sorted out once over the fleet, so that no table is searched per probe."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from analytics.advice.courses import Courses, about_courses
from analytics.advice.out_of_use import Checks
from analytics.advice.overdue import Due
from analytics.advice.probe_history import Told, place_of_checks, told
from analytics.advice.record_errors import Proposal
from analytics.baseline.rows import Ints
from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Counted
from analytics.drift.state import DriftState
from analytics.named_rows import rows_by
from analytics.records.snapshot import Records
from analytics.results import SeriesResult

Named = TypeVar("Named", SeriesResult, Due)


@dataclass(frozen=True)
class ProbeTables:
    """By the name of a probe, or by its code in ``Names.probe`` where that is said."""

    code: dict[str, int]
    results: dict[str, list[SeriesResult]]
    due: dict[str, list[Due]]
    events: dict[str, list[Told]]
    decisions: dict[str, list[Told]]
    overrules: dict[str, list[Any]]  # rows of ``Records.decisions``
    inspections: dict[str, list[Any]]  # rows of ``Records.inspections``, oldest first
    units: list[Ints]  # by code: the unit in force of each of its response series
    silent: frozenset[int]  # codes with a series whose newest check shows no signal
    slips: dict[int, str]  # by code: what its newest check would be if it were a slip of the pen
    window: dict[str, int]  # codes of the windows
    checks: Checks
    places: Ints  # as ``place_of_checks`` gives them
    courses: Courses

    def units_of(self, code: int) -> Ints:
        """Its response units in force; none where it was never read."""
        return self.units[code] if code >= 0 else np.zeros(0, np.int64)


def probe_tables(
    records: Records,
    counted: Counted,
    charts: ResponseCharts,
    state: DriftState,
    series: Iterable[SeriesResult],
    due: Iterable[Due],
    silent_now: Ints,
    slips: Iterable[Proposal],
) -> ProbeTables:
    """All of it. silent_now: response series whose newest check shows no signal."""
    names, series_probe = counted.names, counted.response.keys.probe
    newest = np.full(len(series_probe), -1, np.int64)
    newest[charts.rows.unit_series] = np.arange(charts.rows.units)  # later units of a series overwrite earlier ones
    in_force = newest >= 0
    pending: dict[int, str] = {}
    for slip in slips:
        if slip.pending:
            pending.setdefault(int(series_probe[slip.series]), slip.text)
    decisions = records.decisions
    return ProbeTables(
        {name: code for code, name in enumerate(names.probe)},
        _by_probe(series),
        _by_probe(due),
        told(records.events, "happened_at"),
        told(decisions, "decided_at"),
        rows_by(decisions[decisions["kind"] == "overrule"], "probe"),
        rows_by(records.inspections.sort_values("done_at"), "probe"),
        np.split(newest[in_force], np.searchsorted(series_probe[in_force], np.arange(1, len(names.probe) + 1)))[:-1],
        frozenset(series_probe[silent_now].tolist()),
        pending,
        {name: code for code, name in enumerate(names.window)},
        Checks.of(counted, charts),
        place_of_checks(counted),
        about_courses(charts, state, newest[in_force]),
    )


def _by_probe(some: Iterable[Named]) -> dict[str, list[Named]]:
    out: dict[str, list[Named]] = {}
    for one in some:
        out.setdefault(one.probe, []).append(one)
    return out
