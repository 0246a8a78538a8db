"""The plain plan: everything on its own due date, put together by site and week.

It is the yardstick for any cleverer plan.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import date, timedelta

from analytics.advice.plan_result import Plan, PlannedProbe, SourceTask, Uncovered, Visit
from analytics.advice.planned_tasks import Task, due_tasks, first_crossing, withdrawn_probes
from analytics.errors import UserError
from analytics.records.snapshot import Records
from analytics.results import Crossing, DeviceResult, FleetAssessment, SeriesResult
from analytics.settings import Settings

LONGEST_HORIZON_DAYS = 1830  # forecasts end at five years


def plain_plan(assessment: FleetAssessment, records: Records, settings: Settings, from_on: date, to_on: date) -> Plan:
    """What is due or forecast at each site from ``from_on`` to ``to_on``, both included, one visit a site and week.

    A visit falls on the earliest due day of its week, moved off a week-end to the Friday before (to the Monday after
    where that lies before ``from_on``). Things overdue are due on ``from_on``. Pure: no clock, same input, same plan.

    Raises UserError for a horizon that is reversed, begins before the day of the assessment, or exceeds five years.
    """
    today = assessment.as_of.date()
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
    if (to_on - from_on).days > LONGEST_HORIZON_DAYS:
        raise UserError(
            f"the plan would run to {to_on}, beyond the five years a forecast reaches",
            where="horizon",
            do="End it earlier.",
        )
    tasks = due_tasks(assessment, records, settings, from_on, to_on)
    visits = _visits(tasks, from_on, to_on)
    return Plan(
        from_on,
        to_on,
        visits,
        _sources(assessment.sources, records, today, to_on),
        _uncovered(assessment, records, settings, visits, from_on),
        _risk_days(assessment, visits, from_on, to_on),
        _cost(records, settings, visits),
    )


def _working_day(day: date, from_on: date, to_on: date) -> date:
    if day.weekday() < 5:
        return day
    friday = day - timedelta(days=day.weekday() - 4)
    if friday >= from_on:
        return friday
    monday = day + timedelta(days=7 - day.weekday())
    return monday if monday <= to_on else day


def _visits(tasks: Iterable[Task], from_on: date, to_on: date) -> tuple[Visit, ...]:
    groups: dict[tuple[date, str], list[tuple[date, Task]]] = {}
    for task in tasks:
        day = _working_day(task.due_on, from_on, to_on)
        groups.setdefault((day - timedelta(days=day.weekday()), task.site), []).append((day, task))
    visits = []
    for (_, site), group in sorted(groups.items()):
        merged: dict[tuple[str, str], list[Task]] = {}
        for _, task in group:
            merged.setdefault((task.probe, task.kind), []).append(task)
        probes = tuple(
            PlannedProbe(same[0].probe, _why(same), same[0].kind, same[0].due_on) for _, same in sorted(merged.items())
        )
        visits.append(Visit(site, min(day for day, _ in group), probes))
    return tuple(sorted(visits, key=lambda visit: (visit.on, visit.site)))


def _why(same: list[Task]) -> str:
    """The reasons for one thing in one week, each once, with how often it falls due where that is more than once."""
    counted = Counter(task.why for task in same)
    return "; ".join(f"{why} ({n} times this week)" if n > 1 else why for why, n in counted.items())


def _sources(
    sources: tuple[DeviceResult, ...],
    records: Records,
    today: date,
    to_on: date,
) -> tuple[SourceTask, ...]:
    withdrawn = records.sources.set_index("source")["withdrawn_on"].dropna()
    gone = {str(name) for name, on in withdrawn.items() if on.date() <= today}
    tasks = []
    for one in sources:
        if one.name in gone:
            continue
        weak = one.too_weak_on is not None and one.too_weak_on <= to_on
        reasons = list(one.reasons)
        if weak and one.too_weak_on is not None:
            reasons.insert(0, f"3 % in 10 s is not reached after {one.too_weak_on.isoformat()}")
        if one.advice == "replace" or weak:
            by = max(one.too_weak_on, today) if one.too_weak_on is not None else today
            why = "; ".join(dict.fromkeys(reasons)) or "advice is to replace it"
            tasks.append(SourceTask(one.name, min(by, to_on), why))
        elif one.advice == "verify":
            why = "; ".join(reasons) or "it moved against the probes read on it"
            tasks.append(SourceTask(one.name, None, f"verify: {why}"))
    return tuple(sorted(tasks, key=lambda task: (task.replace_by or today, task.source)))


def _uncovered(
    assessment: FleetAssessment,
    records: Records,
    settings: Settings,
    visits: tuple[Visit, ...],
    from_on: date,
) -> tuple[Uncovered, ...]:
    """Sites short of fit probes now, and the visits that would make them so (a probe is away from its visit on)."""
    gone = withdrawn_probes(records, assessment.as_of.date())
    fit: dict[str, set[str]] = {one.site or "": set() for one in assessment.probes}
    for one in assessment.probes:
        if one.advice in ("use", "watch") and one.patient_use == "allowed" and one.probe not in gone:
            fit[one.site or ""].add(one.probe)
    short = []
    for site in sorted(fit):
        least = settings.cover.least_fit_probes_by_site.get(site, settings.cover.least_fit_probes)
        if len(fit[site]) < least:
            short.append(Uncovered(site, from_on, len(fit[site]), least, _shortage(len(fit[site]), least)))
            continue
        for visit in visits:
            away = {task.probe for task in visit.probes if task.kind in ("service", "replace")} & fit[site]
            if visit.site == site and len(fit[site] - away) < least:
                left = len(fit[site] - away)
                short.append(
                    Uncovered(
                        site,
                        visit.on,
                        left,
                        least,
                        f"{_shortage(left, least)} while {', '.join(sorted(away))} is away for service",
                    )
                )
    return tuple(sorted(short, key=lambda one: (one.on, one.site)))


def _shortage(fit: int, least: int) -> str:
    return f"{fit} fit {'probe' if fit == 1 else 'probes'} where {least} must stay"


def _risk_days(assessment: FleetAssessment, visits: tuple[Visit, ...], from_on: date, to_on: date) -> float | None:
    """Sum over probes in use of the expected days beyond tolerance until their service or the end, d."""
    served: dict[str, date] = {}
    for visit in visits:
        for task in visit.probes:
            if task.kind in ("service", "replace"):
                served.setdefault(task.probe, visit.on)
    series: dict[str, list[SeriesResult]] = {}
    for one in assessment.series:
        series.setdefault(one.probe, []).append(one)
    judged = [one for one in assessment.probes if one.advice != "undetermined"]
    if not judged:
        return None
    total = 0.0
    for probe in judged:
        crossing = first_crossing(tuple(series.get(probe.probe, ())))
        if crossing is not None and probe.patient_use == "allowed":
            until = served.get(probe.probe, to_on + timedelta(days=1))
            total += days_beyond(crossing, assessment.as_of.date(), from_on, until)
    return round(total, 3)


def days_beyond(crossing: Crossing, as_of: date, from_on: date, until: date) -> float:
    """Expected days beyond the limit from ``from_on`` up to, not including, ``until``: the sum of P(crossed by day), d.

    The distribution is drawn through the quantiles and the probabilities that the crossing carries, straight between
    them and flat after the last.

    >>> c = Crossing(90.0, date(2026, 1, 11), date(2026, 1, 21), None, {})
    >>> round(days_beyond(c, date(2026, 1, 1), date(2026, 1, 11), date(2026, 1, 12)), 6)
    0.05
    """
    known: dict[date, float] = {as_of: 0.0}
    for at, probability in ((crossing.p05, 0.05), (crossing.p50, 0.5), (crossing.p95, 0.95)):
        if at is not None:
            known[max(at, as_of)] = max(known.get(max(at, as_of), 0.0), probability)
    for days, probability in crossing.probability_within_days.items():
        at = as_of + timedelta(days=days)
        known[at] = max(known.get(at, 0.0), probability)
    total, day = 0.0, from_on
    dates = sorted(known)
    levels: list[float] = []
    for at in dates:
        levels.append(max(known[at], levels[-1] if levels else 0.0))
    while day < until:
        total += _between(day, dates, levels)
        day += timedelta(days=1)
    return total


def _between(day: date, dates: list[date], levels: list[float]) -> float:
    if day >= dates[-1]:
        return levels[-1]
    for left, right, low, high in zip(dates, dates[1:], levels, levels[1:], strict=False):
        if left <= day < right:
            return low + (high - low) * (day - left).days / (right - left).days
    return 0.0


def _cost(records: Records, settings: Settings, visits: tuple[Visit, ...]) -> float | None:
    """What the plan costs; None as soon as one cost that it needs is not set."""
    own = records.probes.set_index("probe")["replacement_cost"].dropna().to_dict()
    total = 0.0
    for visit in visits:
        parts: list[float | None] = [settings.costs.visit]
        for task in visit.probes:
            if task.kind == "service":
                parts.append(settings.costs.service)
            elif task.kind == "replace":
                parts.append(own.get(task.probe, settings.costs.replacement))
        if any(part is None for part in parts):
            return None
        total += sum(part for part in parts if part is not None)
    return total
