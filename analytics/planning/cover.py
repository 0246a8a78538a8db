"""Cover: how many fit probes of each kind stand at each site on each operating day, and where that is too few.

A fit probe counts where it is: at its site, or at the one it is lent to. In service it counts nowhere; what comes back
from service counts again, and so does a probe that only waits for the check planned on the first day. Both are
assumptions of a plan, not findings.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from analytics.advice.overrules import to_follow
from analytics.advice.plan_result import TaskKind, Uncovered
from analytics.advice.planned_tasks import Task, withdrawn_probes
from analytics.planning.slots import Slots, working_day
from analytics.records.loan import Loan
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment, ProbeResult
from analytics.settings import Settings

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Cell = tuple[str, str]  # site and kind of probe
Away = tuple[str, TaskKind, date]  # probe, service or replacement, day


@dataclass(frozen=True)
class Fleet:
    """Who could count where. fit, place: [probes, days]; place is a site's number, −1 for nowhere."""

    slots: Slots
    probes: tuple[str, ...]
    kinds: tuple[str, ...]
    sites: tuple[str, ...]
    fit: Bools
    place: Ints
    least: Mapping[Cell, int]
    service_days: int

    def number(self, probe: str) -> int:
        """Row of a probe."""
        return self.probes.index(probe)

    def where(self, probe: str, on: date) -> str:
        """The site a probe is at on a day of the plan, by the register of loans."""
        return self.sites[int(self.place[self.number(probe), min(max(self.slots.day(on), 0), self.slots.days - 1)])]

    def cells(self) -> list[Cell]:
        """Every site and kind that exists or must be there, in order."""
        there = {
            (self.sites[site], self.kinds[row])
            for row in range(len(self.probes))
            for site in np.unique(self.place[row])
            if site >= 0
        }
        return sorted(there | set(self.least))

    def away(self, kind: TaskKind, on: date) -> tuple[slice, slice]:
        """Days on which a probe is out because of a task, and days on which it is fit after it."""
        start = max(self.slots.day(on), 0)
        back = start + (self.service_days if kind == "service" else 1)
        gone = slice(start, back) if kind == "service" else slice(start, start)
        return gone, slice(min(back, self.slots.days), self.slots.days)

    def count(self, tasks: Iterable[Away] = ()) -> dict[Cell, Ints]:
        """Fit probes in each cell on each day, [days], while these services and replacements are done."""
        fit = self.fit.copy()
        for probe, kind, on in tasks:
            row = self.number(probe)
            gone, after = self.away(kind, on)
            fit[row, after] = True
            fit[row, gone] = False
        out = {}
        for site, kind_of in self.cells():
            rows = [n for n, one in enumerate(self.kinds) if one == kind_of]
            at = self.sites.index(site)
            out[site, kind_of] = (fit[rows] & (self.place[rows] == at)).sum(axis=0).astype(np.int64)
        return out


def fleet_of(
    assessment: FleetAssessment,
    records: Records,
    settings: Settings,
    slots: Slots,
    tasks: Sequence[Task],
    loans: Sequence[Loan] = (),
) -> Fleet:
    """The fleet as it stands at the moment of the assessment, with the loans on the register."""
    gone = withdrawn_probes(records, assessment.as_of.date())
    results = [one for one in assessment.probes if one.probe not in gone]
    by_probe = records.probes.set_index("probe")
    of_each = settings.cover.of_each
    kind_of = {
        one.probe: ""
        if of_each == "site" or one.probe not in by_probe.index
        else _text(by_probe.loc[one.probe, of_each])
        for one in results
    }
    homes = sorted(
        {one.site or "" for one in results}
        | {loan.site for loan in loans}
        | set(settings.cover.least_fit_probes_by_site)
    )
    fit = np.zeros((len(results), slots.days), bool)
    place = np.full((len(results), slots.days), -1, np.int64)
    checked_first = {one.probe for one in tasks if one.due_on == slots.from_on and one.kind in ("check", "window_check")}
    first = working_day(slots.from_on, slots.from_on, slots.to_on)
    for row, one in enumerate(results):
        place[row] = homes.index(one.site or "")
        if _fit(one):
            fit[row] = True
        elif _only_waits(one) and one.probe in checked_first:
            fit[row, slots.day(first) + 1 :] = True
        for loan in loans:
            if loan.probe == one.probe:
                start = max(slots.day(loan.from_on), 0)
                end = slots.days if loan.to_on is None else slots.day(loan.to_on) + 1
                place[row, start : max(end, start)] = homes.index(loan.site)
    least = {
        (site, kind): settings.cover.least_fit_probes_by_site.get(site, settings.cover.least_fit_probes)
        for site, kind in {(one.site or "", kind_of[one.probe]) for one in results}
    }
    for site, number in settings.cover.least_fit_probes_by_site.items():
        if not any(where == site for where, _ in least):
            least[site, ""] = number
    names = tuple(one.probe for one in results)
    return Fleet(
        slots,
        names,
        tuple(kind_of[name] for name in names),
        tuple(homes),
        fit,
        place,
        {cell: number for cell, number in sorted(least.items()) if number > 0},
        settings.schedule.service_days,
    )


def _text(value: object) -> str:
    return "" if value is None or pd.isna(value) else str(value)  # type: ignore[call-overload]


def _fit(one: ProbeResult) -> bool:
    return to_follow(one) in ("use", "watch") and one.patient_use == "allowed"


def _only_waits(one: ProbeResult) -> bool:
    """Whether a good check is all that is wanting."""
    return to_follow(one) in ("use", "watch", "undetermined") and one.patient_use != "not_until_cleared"


def uncovered(fleet: Fleet, tasks: Sequence[Away]) -> tuple[Uncovered, ...]:
    """Stretches of operating days with too few fit probes, each with who is away then, in order of day and site."""
    operating = fleet.slots.operating
    found: list[Uncovered] = []
    counts = fleet.count(tasks)
    for (site, kind), least in fleet.least.items():
        fit = counts.get((site, kind), np.zeros(fleet.slots.days, np.int64))
        days = np.flatnonzero(operating)
        short = days[fit[days] < least]
        if len(short) == 0:
            continue
        # operating days in a row, over week-ends
        breaks = np.flatnonzero(np.diff(np.searchsorted(days, short)) > 1) + 1
        for run in np.split(short, breaks):
            first, last = fleet.slots.on(int(run[0])), fleet.slots.on(int(run[-1]))
            fewest = int(fit[run].min())
            why = _why(fleet, tasks, (site, kind), run, fewest, least)
            missing = int((least - fit[run]).sum())
            found.append(Uncovered(site, first, fewest, least, why, last, kind, missing))
    return tuple(sorted(found, key=lambda one: (one.on, one.site, one.kind)))


def _why(fleet: Fleet, tasks: Sequence[Away], cell: Cell, run: Ints, fewest: int, least: int) -> str:
    site, kind = cell
    there = [
        row
        for row in range(len(fleet.probes))
        if fleet.kinds[row] == kind and (fleet.place[row, run] == fleet.sites.index(site)).any()
    ]
    of_kind = f" of kind {kind}" if kind else ""
    said = f"{fewest} fit {'probe' if fewest == 1 else 'probes'}{of_kind} where {least} must stay"
    if len(there) < least:
        return f"{said}: the site has {len(there)} in all"
    names = {fleet.probes[row] for row in there}
    away = sorted(
        {
            probe
            for probe, what, on in tasks
            if what == "service"
            and probe in names
            and fleet.slots.day(on) <= run[-1]
            and fleet.slots.day(on) + fleet.service_days > run[0]
        }
    )
    unfit = sorted(fleet.probes[row] for row in there if not fleet.fit[row, run].all() and fleet.probes[row] not in away)
    parts = [f"{', '.join(away)} {'is' if len(away) == 1 else 'are'} away for service"] if away else []
    if unfit:
        parts.append(f"{', '.join(unfit)} {'is' if len(unfit) == 1 else 'are'} not fit")
    return f"{said} while {' and '.join(parts)}" if parts else said
