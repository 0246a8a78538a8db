"""What the records and the charts have of each probe, sorted out once over the fleet, so that no table is searched per probe."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from analytics.advice.before_service import AroundServices, around_services
from analytics.advice.courses import Courses, about_courses
from analytics.advice.out_of_use import Checks
from analytics.advice.overdue import Due
from analytics.advice.probe_history import Told, place_of_checks, told
from analytics.advice.record_errors import Proposal
from analytics.advice.situation import SERVICE_KINDS
from analytics.advice.unjudged import Unjudged, looks_without_a_shift, unjudged
from analytics.baseline.rows import Ints
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Counted
from analytics.drift.state import DriftState
from analytics.named_rows import rows_by
from analytics.records.snapshot import Records
from analytics.results import SeriesResult

Named = TypeVar("Named", SeriesResult, Due)
Story = list[tuple[float, str]]  # day and kind of each event, in time


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
    unjudged: dict[int, Unjudged]  # by code: checks that gave no response
    half_looks: dict[int, str]  # by code: of a newest window check with counts missing
    slips: dict[int, str]  # by code: what its newest check would be if it were a slip of the pen
    window: dict[str, int]  # codes of the windows
    checks: Checks
    places: Ints  # as ``place_of_checks`` gives them
    courses: Courses
    around: AroundServices  # of each probe's last one

    def story(self, name: str) -> Story:
        """What happened to the probe, in time."""
        return story_of(self.events.get(name, ()))

    def units_of(self, code: int) -> Ints:
        """Its response units in force; none where it was never read."""
        return self.units[code] if code >= 0 else np.zeros(0, np.int64)


def probe_tables(
    records: Records,
    counted: Counted,
    charts: ResponseCharts,
    state: DriftState,
    shift: QuantityChart,
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
    decisions, code = records.decisions, {name: code for code, name in enumerate(names.probe)}
    events = told(records.events, "happened_at")
    served = {code[name]: services_of(story_of(some)) for name, some in events.items() if name in code}
    return ProbeTables(
        code,
        _by_probe(series),
        _by_probe(due),
        events,
        told(decisions, "decided_at"),
        rows_by(decisions[decisions["kind"] == "overrule"], "probe"),
        rows_by(records.inspections.sort_values("done_at"), "probe"),
        np.split(newest[in_force], np.searchsorted(series_probe[in_force], np.arange(1, len(names.probe) + 1)))[:-1],
        frozenset(series_probe[silent_now].tolist()),
        unjudged(counted.response, names, charts.rows, charts.corrected.shift_var),
        looks_without_a_shift(records.readings, counted.windows, names),
        pending,
        {name: code for code, name in enumerate(names.window)},
        Checks.of(counted, charts),
        place_of_checks(counted),
        about_courses(charts, state, newest[in_force]),
        around_services(charts, shift, {probe: services[-1][0] for probe, services in served.items() if services}),
    )


def story_of(events: Iterable[Told]) -> Story:
    """What happened, in time."""
    return sorted((one.at_days, one.kind) for one in events)


def services_of(story: Story) -> Story:
    """The services in it."""
    return [one for one in story if one[1] in SERVICE_KINDS]


def _by_probe(some: Iterable[Named]) -> dict[str, list[Named]]:
    out: dict[str, list[Named]] = {}
    for one in some:
        out.setdefault(one.probe, []).append(one)
    return out
