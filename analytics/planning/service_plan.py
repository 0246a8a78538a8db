"""The service plan: the choice of visits, site by site, and what it comes to beside the plain plan.

Sites are chosen apart unless a loan binds them: one that stands in the register, or one that is needed because a site
alone cannot keep its cover.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from time import monotonic

import numpy as np

from analytics.advice.plan_result import Plan, ProposedLoan, Visit, Yardstick
from analytics.advice.planned_tasks import Task, due_tasks
from analytics.advice.visits import merged, plain_plan
from analytics.planning.account import aways, cost, risk_by_probe, risk_days, risk_parts
from analytics.planning.cover import Fleet, Ints, fleet_of, uncovered
from analytics.planning.lending import lendable, loan_value, loans_only, proposals, with_loans
from analytics.planning.model import Cap, Chosen, Problem, solve
from analytics.planning.recurring import Recurring, day_of
from analytics.planning.slots import Slots
from analytics.planning.translate import Planned, Risk, Translation, Weights, renumbered
from analytics.planning.weekly import weekly
from analytics.records.loan import Loan
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment
from analytics.settings import Settings

TIME_LIMIT_S = 15.0
PROVED = 0.01  # a choice that is at most so much dearer than the best is taken
PLENTY = 1000  # spare probes that no service can use up
Progress = Callable[[str, float], None]
Lent = dict[tuple[int, int, int], int]  # from cell, to cell, week -> probes


def service_plan(
    assessment: FleetAssessment,
    records: Records,
    settings: Settings,
    from_on: date,
    to_on: date,
    loans: Sequence[Loan] = (),
    *,
    time_limit_s: float = TIME_LIMIT_S,
    progress: Progress = lambda _what, _share: None,
) -> Plan:
    """The plan from ``from_on`` to ``to_on``, both included, that weighs least and keeps the cover wherever it can be kept.

    Where the plain plan keeps a site's cover, this one has no more visits to it and no more days at risk there; so it
    is never worse in visits, cost and days at risk. Where a cover cannot be kept, as little as possible is missing, and
    ``uncovered`` says where, when and how much. ``gap_pct`` says how far from the best it may be: 0 unless time ran out.
    Same input, same plan, as long as the time limit (s, for all sites together) is not reached.

    Raises UserError for a horizon that makes no sense.
    """
    plain = plain_plan(assessment, records, settings, from_on, to_on, loans)
    slots = Slots(from_on, to_on)
    tasks = due_tasks(assessment, records, settings, from_on, to_on)
    fleet = fleet_of(assessment, records, settings, slots, tasks, loans)
    risk = risk_by_probe(assessment, slots)
    work = _Work(fleet, Weights.of(settings), risk or {}, tasks, plain, settings, time_limit_s, progress)
    visits, proposed, gap_pct = work.choose()
    held = with_loans(fleet, proposed)
    price, missing = cost(records, settings, visits)
    return replace(
        plain,
        visits=visits,
        uncovered=uncovered(held, aways(visits)),
        risk_days=risk_days(risk, visits, slots),
        cost=price,
        cost_missing=missing,
        loans=proposed,
        gap_pct=gap_pct,
        risk_by_probe=risk_parts(risk, visits, slots),
        due_dates=Yardstick(
            len(plain.visits),
            plain.cost,
            plain.risk_days,
            plain.days_short,
            tuple((one.site, one.on) for one in plain.visits),
            risk_parts(risk, plain.visits, slots),
        ),
    )


@dataclass
class _Work:
    """The choice, group of sites by group of sites."""

    fleet: Fleet
    weights: Weights
    risk: Risk
    tasks: Sequence[Task]
    plain: Plan
    settings: Settings
    time_limit_s: float
    progress: Progress

    def __post_init__(self) -> None:
        made = Translation(self.fleet, self.weights, self.risk)
        made.add_tasks(self.tasks)
        made.add_sources(self.plain.sources, self.settings.schedule.bring_forward_days)
        self.made, self.planned, self.follows = made, made.planned, made.follows
        self.windows = made.windows()
        self.cells = made.cells
        self.spare, self.days = weekly(self.fleet)
        self.site_of_cell = np.searchsorted(self.fleet.sites, [site for site, _ in self.cells])
        self.loans_value = self.loans_bound = 0.0
        self.began = monotonic()

    def choose(self) -> tuple[tuple[Visit, ...], tuple[ProposedLoan, ...], float]:
        """Visits, proposed loans, and by how much at most the choice is dearer than the best, %."""
        groups = self.groups
        chosen: dict[tuple[int, ...], Chosen] = {}
        short: list[tuple[int, ...]] = []
        for n, sites in enumerate(groups):
            self.progress(f"Planning {', '.join(self.fleet.sites[one] for one in sites)}", n / max(len(groups), 1))
            found = self.solved(sites, time_limit_s=self.left(len(groups) - n))
            if found.option is None:
                short.append(sites)
            else:
                chosen[sites] = found
        lent: Lent = {}
        if short:
            self.progress("Looking for spares", 0.9)
            lent = self.with_too_few(groups, chosen, short)
        visits: list[Visit] = []
        value, bound = self.loans_value, self.loans_bound
        for sites, found in chosen.items():
            value, bound = value + found.value, bound + found.bound
            visits += self.better(sites, found, lent=bool(lent))
        self.progress("Planned", 1.0)
        gap = 100.0 * (value - bound) / value if value > 1e-9 else 0.0
        ordered = tuple(sorted(visits, key=lambda one: (one.on, one.site)))
        return ordered, proposals(self.fleet, self.cells, lent, aways(ordered)), round(max(gap, 0.0), 4)

    def left(self, parts: int) -> float:
        """A fair part of the time that is left, s."""
        return max((self.time_limit_s - (monotonic() - self.began)) / max(parts, 1), 0.2)

    @cached_property
    def groups(self) -> list[tuple[int, ...]]:
        """Sites that are chosen together: those between which a loan of the register has a probe."""
        leader = list(range(len(self.fleet.sites)))
        for row in self.fleet.place:
            at = [int(one) for one in np.unique(row) if one >= 0]
            for other in at[1:]:
                low, high = sorted((leader[at[0]], leader[other]))
                leader = [low if one == high else one for one in leader]
        return [
            tuple(site for site, of in enumerate(leader) if of == one) for one in sorted(set(leader))
        ]

    def of(self, sites: tuple[int, ...], *, by_windows: bool = False) -> list[int]:
        """Numbers of the things done at these sites; by_windows: without those that recur."""
        return [
            n
            for n, one in enumerate(self.planned)
            if one.item.sites[0] in sites and not (by_windows and one.tasks and one.tasks[0].every_days is not None)
        ]

    def solved(
        self,
        sites: tuple[int, ...],
        *,
        spare: Ints | None = None,
        most_short: float | None = None,
        time_limit_s: float,
    ) -> Chosen:
        """The better of two ways to deal with what recurs; the bound is that of both together.

        By dates: every occurrence on its own due date or a little earlier, as in the plain plan, which is one of these.
        By windows: at each visit whatever cannot wait for the next one, so that rhythms may shift against their dates;
        intervals are counted in whole weeks, so that a plan by dates can still need fewer visits.
        """
        ways = [self.problem(sites)]
        if any(site in sites for window in self.windows for site, _ in window):
            ways.insert(0, self.problem(sites, by_windows=True))
        found = []
        for n, way in enumerate(ways):
            one = way if spare is None else replace(way, spare=spare)
            limit = time_limit_s / (len(ways) - n) if n + 1 < len(ways) else time_limit_s
            found.append(solve(one, soft=most_short is not None, most_short=most_short, time_limit_s=limit))
        usable = [one for one in found if one.option is not None]
        if not usable:
            return found[-1]
        return replace(min(usable, key=lambda one: one.value), bound=min(one.bound for one in usable))

    def problem(
        self,
        sites: tuple[int, ...],
        *,
        lend: Sequence[tuple[int, int]] = (),
        by_windows: bool = False,
    ) -> Problem:
        """The programme for some sites. lend: pairs of cell numbers."""
        numbers = self.of(sites, by_windows=by_windows)
        new = {number: n for n, number in enumerate(numbers)}
        cells = self.rows(sites)
        row = {cell: n for n, cell in enumerate(cells)}
        items = tuple(renumbered(self.planned[number].item, row) for number in numbers)
        follows = tuple(
            replace(one, earlier=new[one.earlier], later=new[one.later]) for one in self.follows if one.earlier in new
        )
        windows = tuple(one for one in self.windows if one[0][0] in sites) if by_windows else ()
        return Problem(
            self.fleet.slots.count,
            sites,
            items,
            follows,
            self.spare[cells],
            self.days,
            self.weights.visit,
            self.weights.loan,
            self.caps(sites, numbers),
            tuple((row[giver], row[taker]) for giver, taker in lend),
            windows=windows,
        )

    def caps(self, sites: tuple[int, ...], numbers: list[int]) -> tuple[Cap, ...]:
        """What the plain plan comes to, group by group, where it keeps the cover."""
        out = []
        for group in self.groups:
            names = {self.fleet.sites[one] for one in group}
            if not set(group) <= set(sites) or any(one.site in names for one in self.plain.uncovered):
                continue
            items = tuple(n for n, number in enumerate(numbers) if self.planned[number].item.sites[0] in group)
            mine = [one for one in self.plain.visits if one.site in names]
            out.append(Cap(group, items, len(mine), self.risk_of(mine)))
        return tuple(out)

    def risk_of(self, visits: Sequence[Visit]) -> float:
        """Days at risk before the services of some visits, d."""
        return sum(
            float(self.risk[probe][self.fleet.slots.day(on)]) for probe, _, on in aways(visits) if probe in self.risk
        )

    def with_too_few(
        self,
        groups: list[tuple[int, ...]],
        chosen: dict[tuple[int, ...], Chosen],
        short: list[tuple[int, ...]],
    ) -> Lent:
        """Groups that cannot keep their cover alone: with spares of others, else as well as can be.

        Adds to ``chosen``; returns probes lent by (from cell, to cell, week).
        """
        least = {sites: solve(self.services_only(sites), soft=True, time_limit_s=self.left(3)) for sites in short}
        missing = {
            self.rows(sites)[int(cell)] for sites, one in least.items() for cell in np.flatnonzero(one.short.sum(axis=1))
        }
        pairs = lendable(self.fleet, self.cells, self.spare, missing) if self.settings.cover.lend_spares else []
        lent = self.with_pairs(groups, chosen, short, pairs) if pairs else {}
        for sites in short:
            if not any(set(sites) <= set(one) for one in chosen):
                most = float((least[sites].short.sum(axis=0) * self.days).sum())
                found = least[sites]
                if found.option is not None:
                    found = self.solved(sites, most_short=most, time_limit_s=self.left(2))
                chosen[sites] = found
        return lent

    def with_pairs(
        self,
        groups: list[tuple[int, ...]],
        chosen: dict[tuple[int, ...], Chosen],
        short: list[tuple[int, ...]],
        pairs: Sequence[tuple[int, int]],
    ) -> Lent:
        """The same with spares that may go between these pairs of cells; nothing where that mends nothing."""
        at = {self.fleet.sites.index(self.cells[one][0]) for pair in pairs for one in pair}
        bound = [sites for sites in groups if sites in short or at & set(sites)]
        joint = tuple(sorted(site for sites in bound for site in sites))
        firm = tuple(n for n, row in enumerate(self.rows(joint)) if not any(row in self.rows(sites) for sites in short))
        alone = replace(self.services_only(joint, pairs), firm=firm)
        whole = replace(self.problem(joint, lend=pairs, by_windows=True), firm=firm)
        return self.all_at_once(bound, alone, whole, chosen) or self.with_spares(bound, alone, chosen)

    def all_at_once(
        self, bound: list[tuple[int, ...]], alone: Problem, whole: Problem, chosen: dict[tuple[int, ...], Chosen]
    ) -> Lent:
        """Visits and loans of all bound sites in one programme; nothing where it is not proved in its share of time."""
        first = solve(alone, soft=True, time_limit_s=self.left(4))
        if first.option is None:
            return {}
        most = float((first.short.sum(axis=0) * self.days).sum())
        found = solve(whole, soft=True, most_short=most, time_limit_s=self.left(2))
        if found.option is None or not found.lent or found.value - found.bound > PROVED * found.value:
            return {}
        for sites in bound:
            chosen.pop(sites, None)
        chosen[whole.sites] = found
        rows = self.rows(whole.sites)
        return {(rows[giver], rows[taker], week): many for (giver, taker, week), many in found.lent.items()}

    def with_spares(self, bound: list[tuple[int, ...]], problem: Problem, chosen: dict[tuple[int, ...], Chosen]) -> Lent:
        """Who lends to whom is settled over services alone; then each group by itself, with what it got or gave.

        The bound stays one for all of it: no group can be dealt with for less than with all the cover it wants, and
        the loans cannot weigh less than the cheapest that mend as much.
        """
        first = solve(problem, soft=True, time_limit_s=self.left(4))
        if first.option is None:
            return {}
        most = float((first.short.sum(axis=0) * self.days).sum())
        second = solve(problem, soft=True, most_short=most, time_limit_s=self.left(4))
        cheapest = solve(loans_only(problem), soft=True, most_short=most, time_limit_s=self.left(4))
        if second.option is None or not second.lent:
            return {}
        rows = self.rows(problem.sites)
        lent = {(rows[giver], rows[taker], week): many for (giver, taker, week), many in second.lent.items()}
        spare = self.spare.copy()
        for (giver, taker, week), many in lent.items():
            spare[giver, week] -= many
            spare[taker, week] += many
        found: dict[tuple[int, ...], Chosen] = {}
        touched = {row for giver, taker, _ in lent for row in (giver, taker)}
        for n, sites in enumerate(bound):
            if sites in chosen and not touched & set(self.rows(sites)):
                continue
            allowed = float((second.short[[rows.index(row) for row in self.rows(sites)]].sum(axis=0) * self.days).sum())
            one = self.solved(
                sites,
                spare=spare[self.rows(sites)],
                most_short=allowed if allowed > 0 else None,
                time_limit_s=self.left(len(bound) - n),
            )
            if one.option is None:
                return {}
            found[sites] = replace(one, bound=self.unbound(sites, chosen))
        chosen.update(found)
        self.loans_value, self.loans_bound = loan_value(problem, second), cheapest.bound
        return lent

    def unbound(self, sites: tuple[int, ...], chosen: dict[tuple[int, ...], Chosen]) -> float:
        """What a group weighs at least, whatever it is lent: of one that lends, what it weighs if it lends nothing."""
        if sites in chosen:
            return chosen[sites].bound
        plenty = np.full((len(self.rows(sites)), self.fleet.slots.count), PLENTY)
        easy = self.solved(sites, spare=plenty, time_limit_s=self.left(2))
        return easy.bound if easy.option is not None else 0.0

    def rows(self, sites: tuple[int, ...]) -> list[int]:
        """Numbers of the cells of these sites."""
        return [int(n) for n in np.flatnonzero(np.isin(self.site_of_cell, sites))]

    def services_only(self, sites: tuple[int, ...], lend: Sequence[tuple[int, int]] = ()) -> Problem:
        """The programme with what changes the cover and nothing else; visits are free in it."""
        whole = self.problem(sites, lend=lend)
        keep = [n for n, item in enumerate(whole.items) if item.effect]
        new = {number: n for n, number in enumerate(keep)}
        caps = tuple(
            replace(cap, visits=np.inf, items=tuple(new[one] for one in cap.items if one in new)) for cap in whole.caps
        )
        return replace(whole, items=tuple(whole.items[one] for one in keep), follows=(), visit_weight=0.0, caps=caps)

    def better(self, sites: tuple[int, ...], found: Chosen, *, lent: bool) -> list[Visit]:
        """The visits of a choice; those of the plain plan where there is none, or where that one keeps the cover for less."""
        names = {self.fleet.sites[one] for one in sites}
        mine = [one for one in self.plain.visits if one.site in names]
        if found.option is None:
            return mine
        made = self.visits(sites, found)
        if not any(one.site in names for one in self.plain.uncovered):
            ours = [one for one in uncovered(self.fleet, aways(made)) if one.site in names]
            worse = len(made) > len(mine) or self.risk_of(made) > self.risk_of(mine) + 1e-6
            if (ours and not lent) or worse:
                return mine
        return made

    def visits(self, sites: tuple[int, ...], found: Chosen) -> list[Visit]:
        """What is chosen, as visits with a day each."""
        groups: dict[tuple[int, int], list[Planned]] = {key: [] for key in found.visited if found.by_windows}
        for number, one in zip(self.of(sites, by_windows=found.by_windows), found.option or (), strict=True):
            if one is not None:
                item = self.planned[number].item
                groups.setdefault((item.weeks[one], item.sites[one]), []).append(self.planned[number])
        recurring = Recurring(self.made, sites, groups) if found.by_windows else None
        taken: set[date] = set()
        out = []
        for (week, site), group in sorted(groups.items()):
            tasks = [task for one in group for task in one.tasks]
            sources = [one.source for one in group if one.source is not None]
            if recurring is not None:
                tasks += recurring.at(week, site)
            if not tasks and not sources:
                continue
            on = day_of(self.fleet.slots, week, tasks, sources, taken)
            taken.add(on)
            if recurring is not None:
                recurring.done(on)
            out.append(Visit(self.fleet.sites[site], on, merged(tasks), tuple(sorted(one.source for one in sources))))
        return out
