"""From chosen weeks to days: what recurs is done at the last visit at which it is not late, and each visit gets its day."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date, timedelta

from analytics.advice.plan_result import SourceTask
from analytics.advice.planned_tasks import Task
from analytics.planning.slots import Slots
from analytics.planning.translate import Translation


class Recurring:
    """What recurs at some sites, visit by visit in the order of time."""

    def __init__(self, made: Translation, sites: Collection[int], visited: Collection[tuple[int, int]]) -> None:
        self.made, self.visited = made, visited
        self.series = [one for one in made.series if made.place(one[0].probe, 0) in sites]
        self.due = [one[0].due_on for one in self.series]
        self.times = [0] * len(self.series)
        self.now: list[int] = []

    def at(self, week: int, site: int) -> list[Task]:
        """What is done at this visit: whatever would be late at the next."""
        self.now = []
        for n, tasks in enumerate(self.series):
            probe = tasks[0].probe
            due = self.made.due_week_of(self.due[n])
            if self.made.place(probe, week) != site or self.due[n] > self.made.slots.to_on:
                continue
            later = (one for one, where in self.visited if week < one <= due and self.made.place(probe, one) == where)
            if next(later, None) is None:
                self.now.append(n)
        return [replace(self._task(n), due_on=self.due[n]) for n in self.now]

    def done(self, on: date) -> None:
        """The day of the visit, from which the next ones count."""
        for n in self.now:
            self.due[n] = on + timedelta(days=max(1, round(self.series[n][0].every_days or 1.0)))
            self.times[n] += 1

    def _task(self, n: int) -> Task:
        return self.series[n][min(self.times[n], len(self.series[n]) - 1)]


def day_of(
    slots: Slots, week: int, tasks: Sequence[Task], sources: Sequence[SourceTask], taken: Collection[date]
) -> date:
    """The day of a visit.

    The first working day where a probe is taken along, so that it is back by whole weeks; else the latest on which
    nothing is late and nobody is elsewhere.
    """
    first, last = slots.first_working(week), slots.last_working(week)
    if any(task.kind in ("service", "replace") for task in tasks):
        return first
    dues = [task.due_on for task in tasks] + [one.replace_by for one in sources if one.replace_by is not None]
    last = max(first, min([last, *dues]))
    free = [day for day in (slots.on(n) for n in range(slots.day(first), slots.day(last) + 1)) if day.weekday() < 5]
    return max((day for day in free if day not in taken), default=free[-1] if free else first)
