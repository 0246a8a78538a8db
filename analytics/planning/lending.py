"""Spares between sites: who could lend, and which probe a proposed loan would send where and when."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from analytics.advice.plan_result import ProposedLoan
from analytics.planning.cover import Away, Cell, Fleet, Ints
from analytics.planning.model import Chosen, Problem
from analytics.planning.slots import DAYS_A_SLOT


def lendable(fleet: Fleet, cells: Sequence[Cell], spare: Ints, short: Collection[int]) -> list[tuple[int, int]]:
    """Pairs of cells of one kind (from, to) where the first ever has a spare and the second is short."""
    return [
        (giver, taker)
        for taker in sorted(short)
        for giver, (site, kind) in enumerate(cells)
        if giver != taker and kind == cells[taker][1] and (spare[giver] > 0).any() and site in fleet.sites
    ]


def proposals(
    fleet: Fleet,
    cells: Sequence[Cell],
    lent: Mapping[tuple[int, int, int], int],
    tasks: Sequence[Away],
) -> tuple[ProposedLoan, ...]:
    """Probes for the numbers lent by the week: each stays as long as it can, so that as few as possible travel.

    lent: (from cell, to cell, week) -> probes.
    """
    busy = np.zeros_like(fleet.fit)
    for probe, what, on in tasks:
        gone, _ = fleet.away(what, on)
        busy[fleet.number(probe), gone] = True
    there = fleet.fit & ~busy
    out: list[ProposedLoan] = []
    for giver, taker in sorted({pair[:2] for pair in lent}):
        weeks = {week: many for (a, b, week), many in lent.items() if (a, b) == (giver, taker)}
        while any(weeks.values()):
            week = min(one for one, many in weeks.items() if many)
            row, end = _longest(fleet, there, cells[giver], week, weeks)
            if row is None:
                weeks[week] = 0
                continue
            days = slice(week * DAYS_A_SLOT, min((end + 1) * DAYS_A_SLOT, fleet.slots.days))
            there[row, days] = False
            for one in range(week, end + 1):
                weeks[one] -= 1
            site, kind = cells[taker]
            of_kind = f" of kind {kind}" if kind else ""
            out.append(
                ProposedLoan(
                    fleet.probes[row],
                    cells[giver][0],
                    site,
                    fleet.slots.on(days.start),
                    fleet.slots.on(days.stop - 1),
                    f"{site} would be short of fit probes{of_kind}, and {cells[giver][0]} has one to spare",
                )
            )
    return tuple(sorted(out, key=lambda one: (one.from_on, one.to_site, one.probe)))


def _longest(
    fleet: Fleet, there: np.ndarray, giver: Cell, week: int, weeks: Mapping[int, int]
) -> tuple[int | None, int]:
    """The probe that can stay longest from a week on, and its last week."""
    best: tuple[int | None, int] = (None, week)
    site = fleet.sites.index(giver[0])
    for row, kind in enumerate(fleet.kinds):
        end = week
        while weeks.get(end, 0) > 0:
            days = slice(end * DAYS_A_SLOT, min((end + 1) * DAYS_A_SLOT, fleet.slots.days))
            if kind != giver[1] or not (there[row, days] & (fleet.place[row, days] == site)).all():
                break
            end += 1
        if end > week and (best[0] is None or end - 1 > best[1]):
            best = (row, end - 1)
    return best


def loans_only(problem: Problem) -> Problem:
    """The same with nothing but loans weighing."""
    free = tuple(replace(item, weight=tuple(0.0 for _ in item.weeks)) for item in problem.items)
    return replace(problem, items=free, visit_weight=0.0)


def loan_value(problem: Problem, found: Chosen) -> float:
    """What the loans of a choice weigh."""
    items = sum(
        item.weight[one] for item, one in zip(problem.items, found.option or (), strict=True) if one is not None
    )
    return found.value - items


def with_loans(fleet: Fleet, proposed: Sequence[ProposedLoan]) -> Fleet:
    """The fleet with the proposed loans made."""
    place = fleet.place.copy()
    for one in proposed:
        place[fleet.number(one.probe), fleet.slots.day(one.from_on) : fleet.slots.day(one.to_on) + 1] = (
            fleet.sites.index(one.to_site)
        )
    return replace(fleet, place=place)
