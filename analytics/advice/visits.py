"""The plain plan: each probe on its own due date, put together by site and week.

It is the yardstick for the service plan (``analytics/planning``).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta

from analytics.advice.plan_result import Plan, PlannedProbe, Round, SourceTask, Visit
from analytics.advice.planned_sources import source_tasks
from analytics.advice.planned_tasks import Task, due_tasks
from analytics.errors import UserError
from analytics.planning.account import aways, cost, risk_by_probe, risk_days
from analytics.planning.cover import fleet_of, uncovered
from analytics.planning.slots import Slots, working_day
from analytics.records.loan import Loan
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment
from analytics.settings import Settings

LONGEST_HORIZON_DAYS = 1830  # forecasts end at five years


def plain_plan(
    assessment: FleetAssessment,
    records: Records,
    settings: Settings,
    from_on: date,
    to_on: date,
    loans: Sequence[Loan] = (),
) -> Plan:
    """What is due or forecast at each site from ``from_on`` to ``to_on``, both included, one visit a site and week.

    A visit falls on the earliest due day of its week, moved off a week-end to the Friday before (to the Monday after
    where that lies before ``from_on``). Things overdue are due on ``from_on``. Pure: no clock, same input, same plan.

    Raises UserError for a horizon that is reversed, begins before the day of the assessment, or exceeds five years.
    """
    sound_horizon(assessment.as_of.date(), from_on, to_on)
    slots = Slots(from_on, to_on)
    tasks = due_tasks(assessment, records, settings, from_on, to_on)
    sources = source_tasks(assessment.sources, records, assessment.as_of.date(), to_on)
    fleet = fleet_of(assessment, records, settings, slots, tasks, loans)
    due = []
    for one in tasks:
        if not one.round_:
            day = working_day(one.due_on, from_on, to_on)
            due.append((day, replace(one, site=fleet.where(one.probe, day))))
    visits = together(due, sources, slots)
    price, missing = cost(records, settings, visits)
    return Plan(
        from_on,
        to_on,
        visits,
        sources,
        uncovered(fleet, aways(visits)),
        risk_days(risk_by_probe(assessment, slots), visits, slots),
        price,
        missing,
        rounds(replace(one, site=fleet.where(one.probe, one.due_on)) for one in tasks if one.round_),
    )


def sound_horizon(today: date, from_on: date, to_on: date) -> None:
    """UserError for a horizon that makes no sense."""
    if to_on < from_on:
        raise UserError(
            f"the plan would end on {to_on}, before it begins on {from_on}",
            where="horizon",
            do="Give the earlier date as the first.",
        )
    if from_on < today:
        raise UserError(
            f"the plan would begin on {from_on}, before the day it is made on, {today}",
            where="horizon",
            do=f"Begin on {today} or later.",
        )
    # counted from today: a forecast reaches no further, wherever the plan begins
    if (to_on - today).days > LONGEST_HORIZON_DAYS:
        raise UserError(
            f"the plan would run to {to_on}, beyond the five years a forecast reaches",
            where="horizon",
            do=f"End it on {today + timedelta(days=LONGEST_HORIZON_DAYS)} or earlier.",
        )


def together(due: Iterable[tuple[date, Task]], sources: Iterable[SourceTask], slots: Slots) -> tuple[Visit, ...]:
    """One visit a site and week, on the earliest day of what is done in it."""
    groups: dict[tuple[int, str], list[tuple[date, Task]]] = {}
    for day, task in due:
        groups.setdefault((slots.of(day), task.site), []).append((day, task))
    replaced: dict[tuple[int, str], list[tuple[date, str]]] = {}
    for one in sources:
        if one.replace_by is not None and one.site is not None:
            day = working_day(one.replace_by, slots.from_on, slots.to_on)
            replaced.setdefault((slots.of(day), one.site), []).append((day, one.source))
    visits = []
    for key in sorted(groups.keys() | replaced.keys()):
        group, devices = groups.get(key, []), replaced.get(key, [])
        on = min([day for day, _ in group] + [day for day, _ in devices])
        visits.append(Visit(key[1], on, merged(task for _, task in group), tuple(sorted(name for _, name in devices))))
    return tuple(sorted(visits, key=lambda visit: (visit.on, visit.site)))


def merged(tasks: Iterable[Task]) -> tuple[PlannedProbe, ...]:
    """What is done on each probe in one visit, with every reason."""
    same: dict[tuple[str, str], list[Task]] = {}
    for task in tasks:
        same.setdefault((task.probe, task.kind), []).append(task)
    return tuple(
        PlannedProbe(found[0].probe, _why(found), found[0].kind, min(one.due_on for one in found))
        for _, found in sorted(same.items())
    )


def _why(same: list[Task]) -> str:
    """The reasons for one thing in one week, each once, with how often it falls due where that is more than once."""
    counted = Counter(task.why for task in same)
    return "; ".join(f"{why} ({n} times this week)" if n > 1 else why for why, n in counted.items())


def rounds(tasks: Iterable[Task]) -> tuple[Round, ...]:
    """The constancy checks of the site's own people: each probe's next one."""
    found: dict[str, Round] = {}
    for task in tasks:
        if task.probe not in found:
            found[task.probe] = Round(task.site, task.probe, task.due_on, task.every_days, task.why)
    return tuple(sorted(found.values(), key=lambda one: (one.site, one.probe)))
