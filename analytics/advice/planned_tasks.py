"""What falls due on each probe inside a horizon: checks, window checks, inspections, services, replacements."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np
import pandas as pd

from analytics.advice.other_checks import YEARLY
from analytics.advice.overrules import to_follow
from analytics.advice.plan_result import TaskKind
from analytics.advice.withdrawn import withdrawn_since
from analytics.planning.risk import days_beyond
from analytics.records.snapshot import Records
from analytics.results import Crossing, FleetAssessment, ProbeResult, SeriesResult
from analytics.settings import Settings

# Events after which a probe is read on its source before anyone relies on it (common practice, no source).
READ_AGAIN_AFTER = ("repair", "detector_replaced", "recentred", "cable_replaced", "dropped", "moved")
EARLY_SHARE = 0.25  # of its interval, by which a check may come before its own date in a plan by dates
LOOK_AGAIN_DAYS = 14  # how much earlier a forecast may be looked at again
LEAST_DAYS = 3  # days on record from which a probe's own median interval says anything
CENTRE_AGAIN_AFTER = ("repair", "detector_replaced", "recentred")
WORK = ("service", "retire")


@dataclass(frozen=True, slots=True)
class Task:
    """One due thing on one probe.

    every_days: of a recurring one; several of one probe, kind and ``series`` follow each other. early_days: how much
    earlier than due it may be done. round_: done by the site's own people, so that nobody has to come for it.
    """

    site: str
    probe: str
    kind: TaskKind
    due_on: date
    why: str
    every_days: float | None = None
    early_days: int = 0
    round_: bool = False
    series: str = ""


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How often a kind of check is due, days, and where that is from; ``last_on`` is the last one on record."""

    interval_days: float | None
    basis: str
    last_on: date | None
    early_days: int = 0
    round_: bool = False


def _days_by_probe(readings: pd.DataFrame) -> dict[str, np.ndarray]:
    """Distinct days with a counting, by probe, rising."""
    days = readings.assign(day=readings["taken_at"].dt.normalize())[["probe", "day"]].drop_duplicates()
    days = days.sort_values(["probe", "day"], kind="stable")
    return {str(probe): group["day"].to_numpy() for probe, group in days.groupby("probe", observed=True)}


def _rhythm(days: np.ndarray | None, set_days: float | None, settings: Settings, *, rounds: bool = False) -> Rhythm:
    """How often; rounds: whether the site's own people do it where it is due more often than a visit is worth."""
    last_on = pd.Timestamp(days[-1]).date() if days is not None and len(days) else None
    if set_days is not None:
        every, basis = set_days, "set in the schedule"
    elif days is None or len(days) < LEAST_DAYS:
        return Rhythm(None, "", last_on)
    else:
        every, basis = float(np.median(np.diff(days) / np.timedelta64(1, "D"))), "its own median interval"
    early = math.floor(every * EARLY_SHARE)
    return Rhythm(every, basis, last_on, early, rounds and every < settings.schedule.visit_from_days)


def _yearly_days(records: Records, as_of: datetime) -> dict[str, np.ndarray]:
    """Distinct days with an inspection of the yearly set, by probe, rising."""
    done = records.inspections
    done = done[(done["done_at"] <= pd.Timestamp(as_of)) & done["kind"].isin(YEARLY) & done["probe"].notna()]
    return _days_by_probe(done.rename(columns={"done_at": "taken_at"}))


def withdrawn_probes(records: Records, as_of: date) -> frozenset[str]:
    """Probes that are withdrawn at the end of that day."""
    return frozenset(withdrawn_since(records, datetime.combine(as_of, time.max)).index)


def due_tasks(
    assessment: FleetAssessment,
    records: Records,
    settings: Settings,
    from_on: date,
    to_on: date,
) -> tuple[Task, ...]:
    """Everything that is due on a probe from ``from_on`` to ``to_on``, both included; overdue things on the first day.

    Probes withdrawn from use are left out. A kind of check that was never recorded is planned only where the schedule
    sets it. Pure: the same input gives the same tasks in the same order (site, probe, day).
    """
    readings = records.readings
    readings = readings[(readings["taken_at"] <= pd.Timestamp(assessment.as_of)) & ~readings["excluded"]]
    check_days = _days_by_probe(readings[readings["measurement"] == "source"])
    window_days = _days_by_probe(readings[readings["measurement"].isin(["window_below", "window_above"])])
    yearly_days = _yearly_days(records, assessment.as_of)
    events = records.events[records.events["happened_at"] <= pd.Timestamp(assessment.as_of)]
    last_events = {
        str(probe): group.iloc[-1]
        for probe, group in events[events["kind"].isin(READ_AGAIN_AFTER)]
        .sort_values(["happened_at", "event_id"], kind="stable")
        .groupby("probe")
    }
    gone = withdrawn_probes(records, assessment.as_of.date())
    series: dict[str, list[SeriesResult]] = {}
    for one in assessment.series:
        series.setdefault(one.probe, []).append(one)
    tasks: list[Task] = []
    for result in sorted(assessment.probes, key=lambda one: (one.site or "", one.probe)):
        if result.probe in gone:
            continue
        of_probe = _Probe(
            result,
            tuple(series.get(result.probe, ())),
            _rhythm(
                check_days.get(result.probe),
                settings.schedule.check_days_by_probe.get(result.probe, settings.schedule.check_days),
                settings,
                rounds=True,
            ),
            _rhythm(window_days.get(result.probe), settings.schedule.window_check_days, settings),
            Rhythm(None, "", None)
            if settings.schedule.inspection_days is None
            else _rhythm(yearly_days.get(result.probe), settings.schedule.inspection_days, settings),
            last_events.get(result.probe),
            from_on,
            to_on,
            assessment.as_of.date(),
            settings.schedule.most_risk_days,
        )
        tasks.extend(of_probe.tasks())
    return tuple(tasks)


@dataclass(frozen=True, slots=True)
class _Probe:
    """One probe's rhythm and findings, and the tasks that follow from them."""

    result: ProbeResult
    series: tuple[SeriesResult, ...]
    checks: Rhythm
    window_checks: Rhythm
    inspections: Rhythm
    last_event: pd.Series | None
    from_on: date
    to_on: date
    as_of: date
    most_risk_days: float

    def tasks(self) -> list[Task]:
        found = [*self._service(), *self._after_event(), *self._now(), *self._forecast_check()]
        found += self._recurring("check", self.checks, self.result.next_check_due_on)
        found += self._recurring("window_check", self.window_checks, self.result.next_window_check_due_on)
        found += self._recurring("check", self.inspections, None, "yearly inspection ")
        replaced_on = min((task.due_on for task in found if task.kind == "replace"), default=None)
        kept = [task for task in found if replaced_on is None or task.kind == "replace" or task.due_on < replaced_on]
        return sorted(kept, key=lambda task: task.due_on)

    def _task(self, kind: TaskKind, due_on: date, why: str, *, at_once: bool = False) -> Task:
        """A thing that is due once; one due later than on the first day may come earlier, a service at any time.

        at_once: due as soon as it may be done, and so not earlier.
        """
        later = (due_on - self.from_on).days
        early = 0 if at_once else later if kind == "service" else min(later, LOOK_AGAIN_DAYS)
        return Task(self.result.site or "", self.result.probe, kind, max(due_on, self.from_on), why, None, max(early, 0))

    def _service(self) -> Iterator[Task]:
        reason = (
            self.result.reasons[0].rstrip(".")
            if self.result.reasons
            else f"cause: {self.result.cause.replace('_', ' ')}"
        )
        begins, by, advice = self.from_on, "", to_follow(self.result)
        if (set_by := self.result.overrule) is not None:
            until = f" until {set_by.until}" if set_by.until else ""
            by = f" ({set_by.by} set it to {set_by.advice}{until}: {set_by.reason.rstrip('. ')})"
            if advice not in WORK and self.result.advice in WORK and set_by.until is not None and set_by.until < self.to_on:
                # Put off and not given up: when the overruling ends, the computed advice holds again.
                begins, advice = set_by.until + timedelta(days=1), self.result.advice
        if advice == "retire":
            yield self._task("replace", begins, f"advice is to retire it: {reason}{by}", at_once=True)
        elif advice == "service":
            yield self._task("service", begins, f"advice is a service: {reason}{by}", at_once=True)
        elif self.result.advice not in WORK:
            crossing = first_crossing(self.series)
            if crossing is not None and crossing.p50 is not None and self._taken_in(crossing):
                before = crossing.p05 or crossing.p50
                why = (
                    f"forecast to pass {crossing.limit_pct:g} % of its reference around {crossing.p50.isoformat()}"
                    f" (5 % chance by {before.isoformat()})"
                )
                if crossing.p50 > self.to_on:
                    why += f"; left in use, {self._left_in_use(crossing):.1f} days beyond it are to be expected in the plan"
                yield self._task("service", before, why)

    def _taken_in(self, crossing: Crossing) -> bool:
        """Whether a forecast asks for a service: more likely than not to pass inside the plan, or too much is risked.

        A drift that is only possible has no median, and is looked at again instead.
        """
        if crossing.p50 is None:
            return False
        begins = crossing.p05 or crossing.p50
        return crossing.p50 <= self.to_on or (
            begins <= self.to_on and self._left_in_use(crossing) > self.most_risk_days
        )

    def _left_in_use(self, crossing: Crossing) -> float:
        """Expected days beyond the limit until the end of the plan, d."""
        return days_beyond(crossing, self.as_of, self.from_on, self.to_on + timedelta(days=1))

    def _forecast_check(self) -> Iterator[Task]:
        """A forecast that may, but need not, fall inside the horizon asks for a look when it becomes possible."""
        crossing = first_crossing(self.series)
        if (
            self.result.advice in ("use", "watch")
            and crossing is not None
            and crossing.p05 is not None
            and crossing.p05 <= self.to_on
            and not self._taken_in(crossing)
        ):
            yield self._task(
                "check",
                crossing.p05,
                (
                    f"5 % chance that it has passed {crossing.limit_pct:g} % of its reference by"
                    f" {crossing.p05.isoformat()}: read it and look at the forecast again"
                ),
            )

    def _after_event(self) -> Iterator[Task]:
        if self.last_event is None:
            return
        happened_on = pd.Timestamp(self.last_event["happened_at"]).date()
        kind = str(self.last_event["kind"])
        why = f"not read since {kind.replace('_', ' ')} on {happened_on.isoformat()}"
        if self.checks.last_on is None or self.checks.last_on < happened_on:
            yield self._task("check", self.from_on, why)
        centred_on = self.window_checks.last_on
        if kind in CENTRE_AGAIN_AFTER and centred_on is not None and centred_on < happened_on:
            yield self._task("window_check", self.from_on, why.replace("not read", "window not checked"))

    def _now(self) -> Iterator[Task]:
        if any(one.repeat_requested for one in self.series):
            yield self._task("check", self.from_on, "the last check lies far off: a reseated repeat is asked for")
        elif self.checks.last_on is None:
            yield self._task("check", self.from_on, "no check on its record yet")
        elif self.result.patient_use == "repeat_first":
            missing = f": {self.result.missing[0].rstrip('.')}" if self.result.missing else ""
            yield self._task("check", self.from_on, f"for patients only after a good check{missing}")
        elif self.result.advice == "undetermined" and self.result.missing:
            yield self._task(
                "check", self.from_on, f"nothing can be said about it: {self.result.missing[0].rstrip('.')}"
            )

    def _recurring(self, kind: TaskKind, rhythm: Rhythm, due_on: date | None, what: str = "") -> Iterator[Task]:
        def task(on: date, why: str, early_days: int) -> Task:
            site, probe = self.result.site or "", self.result.probe
            return Task(site, probe, kind, on, what + why, rhythm.interval_days, early_days, rhythm.round_, what or kind)

        if rhythm.interval_days is None:
            if due_on is not None and due_on <= self.to_on:
                why = f"due on {due_on.isoformat()}, last on {rhythm.last_on}"
                yield task(max(due_on, self.from_on), why, 0)
            return
        step = timedelta(days=max(1, round(rhythm.interval_days)))
        if due_on is None:
            due_on = rhythm.last_on + step if rhythm.last_on is not None else self.from_on
        last = f"last on {rhythm.last_on.isoformat()}" if rhythm.last_on is not None else "none on record"
        every = f"due every {rhythm.interval_days:g} d ({rhythm.basis}), {last}"
        if due_on < self.from_on:
            yield task(self.from_on, f"was due on {due_on.isoformat()}: {every}", 0)
            due_on = self.from_on + step
        while due_on <= self.to_on:
            yield task(due_on, every, rhythm.early_days)
            due_on += step


def first_crossing(series: tuple[SeriesResult, ...]) -> Crossing | None:
    """The crossing with the earliest median date among a probe's series (earliest p05 where no median is known)."""
    known = [one.crossing for one in series if one.crossing is not None and (one.crossing.p50 or one.crossing.p05)]
    return min(known, key=lambda one: (one.p50 or date.max, one.p05 or date.max)) if known else None
