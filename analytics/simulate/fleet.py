"""A simulated fleet: the tables as they would be loaded, and the truth that nobody in service knows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from analytics.records.snapshot import (
    DECISIONS,
    EVENTS,
    INSPECTIONS,
    OUTCOMES,
    PROBES,
    READINGS,
    SOURCES,
    USES,
    WINDOWS,
    Records,
)
from analytics.simulate import tables as layout
from analytics.simulate import truth as known
from analytics.simulate.blunders import draw_blunders
from analytics.simulate.checks import Checks, plan_checks
from analytics.simulate.countings import count, plan_countings
from analytics.simulate.design import Design, Fault
from analytics.simulate.physics import Floats
from analytics.simulate.state import State, apply_fault, apply_service
from analytics.simulate.truth import Truth


@dataclass(frozen=True)
class Fleet:
    """Tables in the layout that loading takes, and the truth about them.

    tables: ``readings``, ``probes``, ``sources``, ``windows``, ``events``, ``inspections``, ``uses``, ``outcomes``.
    """

    tables: dict[str, pd.DataFrame]
    truth: Truth
    starts_at: datetime
    ends_at: datetime


def settle(design: Design, seed: int) -> tuple[Design, Checks]:
    """The checks of a design, and the design with those faults moved that a certain check is to see."""
    checks = plan_checks(design, _streams(seed)[0])
    return replace(design, faults=tuple(_seen(fault, design, checks) for fault in design.faults)), checks


def _streams(seed: int) -> list[Generator]:
    """Random numbers for planning, spoiling, counting and typing, each of its own."""
    return [np.random.default_rng(one) for one in np.random.SeedSequence(seed).spawn(4)]


def simulate(design: Design, seed: int) -> Fleet:
    """Count a designed fleet through; the same design and seed give the same fleet, to the last digit."""
    _, spoiling, counting, typing = _streams(seed)
    design, checks = settle(design, seed)
    state, held_by = states(design, checks)
    blunders = draw_blunders(design, checks, spoiling)
    lost = _contact(state.dropout, spoiling)
    outlying = (lost < 0.9) | blunders.is_kind("mis_seated") | blunders.is_kind("wrong_window")
    rows = plan_countings(design, checks, outlying, spoiling)
    check = rows["check"].to_numpy()
    again = _contact(state.dropout[check], spoiling)
    dropped = np.where(rows["placing"].to_numpy() == 0, lost[check], again)
    rows = count(design, checks, state, rows, dropped, blunders, counting)
    readings, mistakes = layout.readings(design, checks, rows, typing)
    return Fleet(
        tables=layout.everything(design, readings),
        truth=known.tell(design, checks, state, held_by, blunders, lost, mistakes),
        starts_at=design.starts_at,
        ends_at=layout.at(design, design.days),
    )


def _seen(fault: Fault, design: Design, checks: Checks) -> Fault:
    """The fault moved to just before the check that is to see it, where it asks for that."""
    if fault.hours_before_check is None and fault.seen_by_last is None:
        return fault
    number = next(number for number, probe in enumerate(design.probes) if probe.name == fault.probe)
    days = checks.day[checks.span[number]]
    if fault.seen_by_last is not None:
        return replace(fault, onset=float(days[-fault.seen_by_last] - 0.5))
    assert fault.hours_before_check is not None  # noqa: S101  (for the type checker)
    check = days[min(int(np.searchsorted(days, fault.onset)), len(days) - 1)]
    return replace(fault, onset=float(check - fault.hours_before_check / 24.0))


def states(design: Design, checks: Checks) -> tuple[State, list[tuple[int, NDArray[np.intp]]]]:
    """True state at every check, and for each fault the checks that it holds."""
    state = State.sound(len(checks.day))
    number_of = {probe.name: number for number, probe in enumerate(design.probes)}
    held_by: list[tuple[int, NDArray[np.intp]]] = []
    for service in design.services:
        where = checks.span[number_of[service.probe]]
        apply_service(state, where, checks.day[where], service)
    for index, fault in enumerate(design.faults):
        where = checks.span[number_of[fault.probe]]
        on = apply_fault(state, where, checks.day[where], fault)
        held_by.append((index, np.flatnonzero(on) + where.start))
    return state, held_by


def _contact(dropout: Floats, rng: Generator) -> Floats:
    """Factor of a bad contact: now and then much is lost, and always a little at random."""
    size = len(dropout)
    deep = rng.random(size) < dropout
    little = np.exp(-np.abs(rng.normal(0.0, 0.015, size)))
    return np.asarray(np.where(dropout > 0, np.where(deep, rng.uniform(0.3, 0.9, size), little), 1.0), dtype=np.float64)


def to_records(fleet: Fleet, revision: int = 1) -> Records:
    """The fleet as the analysis would read it from a store that had taken every row."""
    given = fleet.tables
    readings = given["readings"].sort_values("taken_at", kind="stable")
    numbers = np.arange(1, len(readings) + 1)
    readings = readings.assign(
        reading_id=numbers, load=1, row=readings.index.to_numpy() + 1, file="simulated", excluded=False
    )
    events = given["events"].assign(event_id=np.arange(1, len(given["events"]) + 1))
    inspections = given["inspections"].assign(inspection_id=np.arange(1, len(given["inspections"]) + 1))
    return Records(
        revision=revision,
        readings=Records.table(READINGS, readings.reset_index(drop=True)),
        probes=Records.table(PROBES, given["probes"]),
        sources=Records.table(SOURCES, given["sources"]),
        windows=Records.table(WINDOWS, given["windows"]),
        events=Records.table(EVENTS, events),
        inspections=Records.table(INSPECTIONS, inspections),
        uses=Records.table(USES, given["uses"]),
        outcomes=Records.table(OUTCOMES, given["outcomes"]),
        decisions=Records.table(DECISIONS),
    )
