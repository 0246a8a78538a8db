"""From things that are due to the programme's items: in which weeks each may be done, and what that weighs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from analytics.advice.plan_result import SourceTask
from analytics.advice.planned_tasks import Task
from analytics.planning.cover import Cell, Fleet
from analytics.planning.model import CellWeek, Follows, Item
from analytics.planning.slots import DAYS_A_SLOT, working_day
from analytics.settings import Settings

# What a week of bringing forward weighs, in visits. A check brought forward is only done a little more often; a service
# brought forward gives away what the probe could still have done. Site practice differs; no source.
EARLY_CHECK, EARLY_SERVICE = 0.001, 0.05
RISK_IN_VISITS = 0.2  # a day at risk where no price is set


@dataclass(frozen=True)
class Weights:
    """What things weigh against each other: in the site's currency where a visit has a price, else in visits."""

    visit: float
    day_at_risk: float
    loan: float

    @staticmethod
    def of(settings: Settings) -> Weights:
        """From the prices that are set; a price of zero still leaves a visit worth avoiding."""
        visit = settings.costs.visit or 1.0
        risk, loan = settings.costs.day_at_risk, settings.costs.loan
        return Weights(
            visit,
            RISK_IN_VISITS * visit if risk is None else risk,
            visit if loan is None else max(loan, 0.01 * visit),
        )


@dataclass(frozen=True)
class Planned:
    """An item with what it stands for: tasks that may be done in the same weeks, or a source."""

    item: Item
    tasks: tuple[Task, ...] = ()
    source: SourceTask | None = None


@dataclass(frozen=True)
class _Occurrence:
    """One time of something recurring: its own due week, its item, and who it is done on."""

    due: int
    item: Item
    tasks: list[Task]


Risk = Mapping[str, npt.NDArray[np.float64]]  # by probe: expected days beyond before day 0, 1, … of the plan


class Translation:
    """The items of a plan and how they follow each other."""

    def __init__(self, fleet: Fleet, weights: Weights, risk: Risk) -> None:
        self.fleet, self.slots, self.weights, self.risk = fleet, fleet.slots, weights, risk
        self.planned: list[Planned] = []
        self.follows: list[Follows] = []
        self.series: list[list[Task]] = []  # of everything recurring, its occurrences by due date
        self.cells = fleet.cells()
        self._alike: dict[tuple[object, ...], list[_Occurrence]] = {}
        self._number: dict[Cell, int] = {cell: n for n, cell in enumerate(self.cells)}

    def add_tasks(self, tasks: Iterable[Task]) -> None:
        """Everything somebody has to come for."""
        series: dict[tuple[str, str, str], list[Task]] = {}
        for task in tasks:
            if task.round_:
                continue
            if task.every_days is None:
                self._once(task)
            else:
                series.setdefault((task.probe, task.kind, task.series), []).append(task)
        self.series = [sorted(recurring, key=lambda one: one.due_on) for recurring in series.values()]
        for recurring in self.series:
            self._recurring(recurring)
        for occurrences in self._alike.values():
            self._chain(occurrences)
        self._alike.clear()

    def add_sources(self, sources: Iterable[SourceTask], early_days: int) -> None:
        """Check sources to be replaced at a site of this fleet."""
        for one in sources:
            if one.replace_by is None or one.site is None:
                continue
            due = self.due_week_of(one.replace_by)
            first = max(0, self.slots.day(one.replace_by) - early_days) // DAYS_A_SLOT
            weeks = range(min(first, due), due + 1)
            site = self.fleet.sites.index(one.site)
            weight = tuple(EARLY_CHECK * self.weights.visit * (due - week) for week in weeks)
            none = tuple(0.0 for _ in weeks)
            self.planned.append(Planned(Item(tuple(weeks), tuple(site for _ in weeks), weight, none), source=one))

    def windows(self) -> tuple[tuple[tuple[int, int], ...], ...]:
        """Weeks of which one at least needs a visit, so that each recurring thing can be done when it is due or earlier.

        By the first due week, and in every stretch of as many whole weeks as its interval holds: (site, week).
        """
        found: set[tuple[tuple[int, int], ...]] = set()
        for tasks in self.series:
            whole = max(1, round(tasks[0].every_days or 1.0) // DAYS_A_SLOT)
            places = [self.place(tasks[0].probe, week) for week in range(self.slots.count)]
            first = self.due_week_of(tasks[0].due_on)
            found.add(tuple((places[week], week) for week in range(first + 1)))
            found |= {
                tuple((places[week], week) for week in range(start, start + whole))
                for start in range(1, self.slots.count - whole + 1)
            }
        return tuple(sorted(found))

    def place(self, probe: str, week: int) -> int:
        """The site a probe is at on the first working day of a week."""
        day = self.slots.day(self.slots.first_working(week))
        return int(self.fleet.place[self.fleet.number(probe), min(day, self.slots.days - 1)])

    def due_week_of(self, due_on: date) -> int:
        """The week in which something is done that is due on a date; what was due before the plan begins, in its first."""
        on = max(due_on, self.slots.from_on)
        return self.slots.of(working_day(on, self.slots.from_on, self.slots.to_on))

    def _once(self, task: Task) -> None:
        due = self.due_week_of(task.due_on)
        first = max(0, self.slots.day(task.due_on) - task.early_days) // DAYS_A_SLOT
        self.planned.append(Planned(self._item(task, tuple(range(min(first, due), due + 1)), due), (task,)))

    def _recurring(self, tasks: Sequence[Task]) -> None:
        """Each occurrence, and one more that comes only if its predecessors were brought forward far enough."""
        last = tasks[-1]
        step = timedelta(days=max(1, round(last.every_days or 1.0)))
        found: list[_Occurrence] = []
        extra = replace(last, due_on=last.due_on + step)
        for task, optional in [(one, False) for one in tasks] + [(extra, True)]:
            due = self.slots.of(task.due_on) if optional else self.due_week_of(task.due_on)
            ahead = task.early_days // DAYS_A_SLOT
            weeks = tuple(week for week in range(max(0, due - ahead), due + 1) if week < self.slots.count)
            if not weeks or (optional and due < self.slots.count):
                continue
            if found and found[-1].due == due:
                found[-1].tasks.append(task)  # several in one week are one visit
                continue
            found.append(_Occurrence(due, self._item(task, weeks, due, optional=optional), [task]))
        alike = self._alike.setdefault(tuple((one.due, one.item.weeks, one.item.sites) for one in found), found)
        if alike is not found:  # another probe of the same rhythm: one unknown does for both
            for one, other in zip(alike, found, strict=True):
                one.tasks.extend(other.tasks)

    def _chain(self, occurrences: Sequence[_Occurrence]) -> None:
        for n, one in enumerate(occurrences):
            self.planned.append(Planned(one.item, tuple(one.tasks)))
            if n:
                here = len(self.planned) - 1
                self.follows.append(Follows(here - 1, here, occurrences[n - 1].due, one.due))

    def _item(self, task: Task, weeks: tuple[int, ...], due: int, *, optional: bool = False) -> Item:
        service = task.kind in ("service", "replace")
        early = EARLY_SERVICE if service else EARLY_CHECK
        row = self.fleet.probes.index(task.probe)
        risk = self.risk.get(task.probe) if service else None
        at, sites, weight, risk_days, effect = [], [], [], [], []
        for week in weeks:
            day = self.slots.day(self.slots.first_working(week))
            place = int(self.fleet.place[row, min(day, self.slots.days - 1)])
            days = float(risk[day]) if risk is not None else 0.0
            at.append(week)
            sites.append(place)
            weight.append(early * self.weights.visit * (due - week) + self.weights.day_at_risk * days)
            risk_days.append(days)
            effect.append(self._effect(row, task, week) if service else {})
        return Item(
            tuple(at), tuple(sites), tuple(weight), tuple(risk_days), tuple(effect) if service else (), optional
        )

    def _effect(self, row: int, task: Task, week: int) -> dict[CellWeek, int]:
        """−1 in weeks with an operating day on which a fit probe is away; +1 in whole weeks after it became fit."""
        fleet, slots = self.fleet, self.slots
        gone, after = fleet.away(task.kind, slots.first_working(week))
        change = np.zeros(slots.days, np.int64)
        change[gone] -= fleet.fit[row, gone]
        change[after] += ~fleet.fit[row, after]
        operating = slots.operating
        out: dict[CellWeek, int] = {}
        for one in range(slots.count):
            days = np.arange(one * DAYS_A_SLOT, min((one + 1) * DAYS_A_SLOT, slots.days))
            days = days[operating[days]]
            if len(days) == 0:
                continue
            for site in np.unique(fleet.place[row, days]):
                if site < 0:
                    continue
                here = change[days[fleet.place[row, days] == site]]
                cell = self._number[fleet.sites[site], fleet.kinds[row]]
                if (here < 0).any():
                    out[cell, one] = -1
                elif (change[days] > 0).all():
                    out[cell, one] = 1
        return out


def renumbered(item: Item, row: Mapping[int, int]) -> Item:
    """The same item for a programme with other numbers of cells."""
    if not item.effect:
        return item
    effect = tuple(
        {(row[cell], week): change for (cell, week), change in one.items() if cell in row} for one in item.effect
    )
    return replace(item, effect=effect)
