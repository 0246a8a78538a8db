"""The plan as the Service plan page reads it: cached, filtered by site, and told in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

import pandas as pd
import streamlit as st

from analytics.advice.plan_result import Plan, PlannedProbe, TaskKind, Visit
from analytics.advice.planned_tasks import first_crossing
from analytics.advice.visits import plain_plan
from analytics.results import Crossing
from dashboard.figures.plan_calendar import TASKS
from dashboard.parts import links, values
from dashboard.seam import place, read

QUARTER = timedelta(days=91)
NOUNS: dict[TaskKind, str] = {
    "service": "service",
    "replace": "replacement",
    "check": "check on the source",
    "window_check": "window check",
}


@st.cache_resource(max_entries=16, show_spinner="Planning …")
def _plan_of(key: tuple[str, int, str], as_of: datetime, from_on: date, to_on: date) -> Plan:  # noqa: ARG001 - a key
    """The plain plan, once a store, revision, settings, moment and horizon."""
    look = read.look(as_of)
    return plain_plan(look.assessment, look.records, look.settings, from_on, to_on)


def plan(look: read.Look, from_on: date, to_on: date) -> Plan:
    """The plan for a horizon; UserError for one that makes no sense."""
    return _plan_of(_key(look), look.as_of, from_on, to_on)


def _key(look: read.Look) -> tuple[str, int, str]:
    return str(place.store_path()), look.records.revision, look.settings.fingerprint


def at_sites(whole: Plan, sites: Sequence[str], sources: Mapping[str, str | None]) -> Plan:
    """The part of a plan that concerns some sites (all, where none is named); cost and risk are those of the whole.

    sources: the site of each check source; one without a site belongs to all.
    """
    if not sites:
        return whole
    return replace(
        whole,
        visits=tuple(one for one in whole.visits if one.site in sites),
        sources=tuple(one for one in whole.sources if sources.get(one.source) in (None, *sites)),
        uncovered=tuple(one for one in whole.uncovered if one.site in sites),
    )


@st.cache_resource(max_entries=32, show_spinner=False)
def _part_of(
    key: tuple[str, int, str], as_of: datetime, from_on: date, to_on: date, sites: tuple[str, ...]
) -> tuple[Plan, pd.DataFrame]:
    """The part for some sites and its table."""
    chosen = at_sites(
        _plan_of(key, as_of, from_on, to_on), sites, {one.name: one.site for one in read.assessment(as_of).sources}
    )
    return chosen, table(chosen)


def part(look: read.Look, whole: Plan, sites: Sequence[str]) -> tuple[Plan, pd.DataFrame]:
    """The part of a plan for some sites, and its table; kept, so that a press on the page costs little."""
    return _part_of(_key(look), look.as_of, whole.from_on, whole.to_on, tuple(sites))


def crossings(look: read.Look) -> dict[str, Crossing]:
    """The earliest forecast crossing of each probe that has one."""
    by_probe: dict[str, list] = {}
    for one in look.assessment.series:
        if one.crossing is not None:
            by_probe.setdefault(one.probe, []).append(one)
    found = {probe: first_crossing(tuple(series)) for probe, series in by_probe.items()}
    return {probe: crossing for probe, crossing in found.items() if crossing is not None}


def pressing(chosen: Plan) -> list[tuple[Visit, PlannedProbe]]:
    """What cannot wait its turn: services, replacements, and checks that are overdue or asked for."""
    return [
        (visit, task)
        for visit in chosen.visits
        for task in visit.probes
        if task.kind in ("service", "replace")
        or (visit.on <= chosen.from_on + timedelta(days=4) and not task.why.startswith("due every"))
    ]


def headline(chosen: Plan) -> str:
    """The plan in three sentences, as Markdown."""
    many = {kind: sum(task.kind == kind for visit in chosen.visits for task in visit.probes) for kind in TASKS}
    sites = {visit.site for visit in chosen.visits}
    first = (
        f"**{values.count(len(chosen.visits), 'visit')} to {values.count(len(sites), 'site')}** from "
        f"{values.day(chosen.from_on)} to {values.day(chosen.to_on)}: "
        + ", ".join(values.count(many[kind], noun) for kind, noun in NOUNS.items() if many[kind] or kind == "service")
        + "."
    )
    first = first.replace("check on the sources", "checks on the source")
    if chosen.sources:
        first += f" {values.count(len(chosen.sources), 'check source')} to see to."
    return first


def money_and_risk(whole: Plan) -> str:
    """What the plan costs and risks, or why that is not known."""
    risk = "Days in use beyond tolerance to expect, all sites: " + (
        f"**{values.number(whole.risk_days, 'd', digits=2)}**."
        if whole.risk_days is not None
        else "not known, since no probe is judged."
    )
    cost = (
        f" Cost: **{values.number(whole.cost, digits=6)}** in the site's currency."
        if whole.cost is not None
        else " Cost: – (the settings name no price for a visit, a service or a new probe that this plan needs)."
    )
    return risk + cost


def table(chosen: Plan) -> pd.DataFrame:
    """One row a task: visit, site, probe, address of its page, what, when due, why."""
    rows = [
        {
            "on": visit.on,
            "site": visit.site,
            "probe": task.probe,
            "story": links.href("probe", probe=task.probe),
            "what": f"{TASKS[task.kind].mark} {TASKS[task.kind].word}",
            "due_on": task.due_on,
            "why": task.why,
        }
        for visit in chosen.visits
        for task in visit.probes
    ]
    return pd.DataFrame(rows, columns=["on", "site", "probe", "story", "what", "due_on", "why"])
