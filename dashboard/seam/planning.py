"""The plan as the Service plan page reads it: cached, filtered by site, and told in sentences and tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from threading import Lock

import pandas as pd
import plotly.graph_objects as go
import streamlit as st

from analytics.advice.plan_result import Plan, PlannedProbe, ProposedLoan, TaskKind, Visit
from analytics.advice.planned_tasks import first_crossing
from analytics.planning.calendar_file import calendar, newest_record
from analytics.planning.service_plan import TIME_LIMIT_S, service_plan
from analytics.records.loan import Loan
from analytics.results import Crossing
from dashboard.figures.plan_calendar import TASKS, plan_calendar
from dashboard.parts import links, values
from dashboard.parts.words import as_on_pages
from dashboard.seam import keep, place, read, sign_in, worker
from dashboard.seam.signature import because, named
from dashboard.seam.worker import Job, StillWorkingError

QUARTER = timedelta(days=91)
MOST_GAP_PCT = 1.0
MOST_SECONDS = TIME_LIMIT_S
NOUNS: dict[TaskKind, str] = {
    "service": "service",
    "replace": "replacement",
    "check": "check on the source",
    "window_check": "window check",
}
AT_ONCE = 20  # probes whose visits are chosen in well under a second
MOST = 4  # plans kept, each with the answer it was made from
Key = tuple[str, int, int, str, bool]
Line = tuple[str, str, bool, date, date]  # plans on one line take each other's place as the records grow


@dataclass(frozen=True)
class Planned:
    """A plan and what it was made from. newer: the plan from newer records, where that is still being made."""

    look: read.Look
    plan: Plan
    newer: Job | None = None


_gate = Lock()
_made: dict[tuple[Key, datetime, Line], tuple[read.Look, Job]] = {}  # oldest first


def plan(look: read.Look, from_on: date, to_on: date) -> Planned:
    """The plan for a horizon; UserError for one that makes no sense.

    Visits of a large fleet are chosen beside the page; meanwhile the plan from the records before is given where there is one.

    Raises:
        StillWorkingError: there is none.
    """
    if len(look.assessment.probes) <= AT_ONCE:
        lent = _lent(look)
        return Planned(look, keep.kept(
            look, lambda: service_plan(look.assessment, look.records, look.settings, from_on, to_on, lent, progress=_silent),
            "plan", _key(look), from_on, to_on, tuple(lent),
        ))  # fmt: skip
    line = (str(place.store_path()), look.settings.fingerprint, _key(look)[-1], from_on, to_on)
    key = (_key(look), look.as_of, line)
    with _gate:
        if key not in _made:
            for other in [one for one, (_, job) in _made.items() if one[2] == line and job.future.cancel()]:
                del _made[other]
            for old in list(_made)[: max(len(_made) - MOST + 1, 0)]:
                del _made[old]
            _made[key] = look, worker.beside.ask(
                "plan", look.assessment, look.records, look.settings, from_on, to_on, _lent(look),
                says="Choosing the visits", about_s=MOST_SECONDS,
            )  # fmt: skip
        _, job = _made[key]
        if job.done:
            if job.future.exception() is not None:
                del _made[key]  # told once; who loads the page again has it tried again
            return Planned(look, job.future.result())
        for (_, _, on), (earlier, before) in reversed(_made.items()):
            if on == line and before.done and not before.future.cancelled() and before.future.exception() is None:
                return Planned(earlier, before.future.result(), job)
    raise StillWorkingError(job)


def _lent(look: read.Look) -> list[Loan]:
    """The loans that the moment looked at knows of."""
    return [one for one in loans() if not _key(look)[-1] or one.from_on <= look.as_of.date()]


def _silent(_what: str, _share: float) -> None:
    """Where nobody watches."""


def loans() -> tuple[Loan, ...]:
    """The register of loans; empty where there is no store."""
    return _book()[0]


def _book() -> tuple[tuple[Loan, ...], pd.DataFrame]:
    """The loans, and every entry of their register, read when it is another: opening a store takes as long as a page."""
    where = place.store_path()
    return _book_of(str(where), read.print_of_stored("spare_loan")) if where.is_file() else ((), pd.DataFrame())


@st.cache_resource(max_entries=4, show_spinner=False)
def _book_of(path: str, print_of_it: tuple[int, int]) -> tuple[tuple[Loan, ...], pd.DataFrame]:  # noqa: ARG001 -- what it is kept by
    from analytics.records.loans import loans as registered
    from analytics.records.loans import register as entries
    from analytics.records.store import Store

    with Store(path).reading():  # opened once for both
        return registered(path), entries(path)


def _key(look: read.Look) -> Key:
    """What a plan depends on; last, whether an earlier moment is looked at, which knows no later loan."""
    earlier = bool(st.query_params.get(read.AS_OF))
    return str(place.store_path()), look.records.revision, look.assessment.revision, look.settings.fingerprint, earlier


def at_sites(whole: Plan, sites: Sequence[str], sources: Mapping[str, str | None]) -> Plan:
    """The part of a plan that concerns some sites (all, where none is named); cost and risk are those of the whole.

    sources: the site of each check source; one without a site belongs to all.
    """
    if not sites:
        return whole
    due = whole.due_dates
    return replace(
        whole,
        visits=tuple(one for one in whole.visits if one.site in sites),
        sources=tuple(one for one in whole.sources if sources.get(one.source) in (None, *sites)),
        uncovered=tuple(one for one in whole.uncovered if one.site in sites),
        rounds=tuple(one for one in whole.rounds if one.site in sites),
        loans=tuple(one for one in whole.loans if one.from_site in sites or one.to_site in sites),
        due_dates=due and replace(due, days=tuple(one for one in due.days if one[0] in sites)),
    )


def part(look: read.Look, whole: Plan, sites: Sequence[str]) -> tuple[Plan, pd.DataFrame]:
    """The part of a plan for some sites, and its table; kept, so that a press on the page costs little."""

    def build() -> tuple[Plan, pd.DataFrame]:
        chosen = at_sites(whole, sites, {one.name: one.site for one in look.assessment.sources})
        return chosen, table(chosen)

    return keep.kept(look, build, "plan part", _key(look), whole.from_on, whole.to_on, tuple(sites))


def calendar_of(
    look: read.Look, chosen: Plan, sites: Sequence[str], today: date, *, every_probe: bool
) -> go.Figure:
    """The calendar of the part of the plan for these sites; kept."""
    return keep.kept(
        look, lambda: plan_calendar(chosen, crossings(look), today, every_probe=every_probe),
        "plan calendar", _key(look), chosen.from_on, chosen.to_on, tuple(sites), today, every_probe,
    )  # fmt: skip


def tables_beside(look: read.Look, whole: Plan, chosen: Plan, sites: Sequence[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Where the days at risk of the whole plan come from, and the rounds of the chosen sites; kept."""
    return keep.kept(
        look, lambda: (risk_table(look, whole), rounds_table(chosen)),
        "plan tables", _key(look), whole.from_on, whole.to_on, tuple(sites),
    )  # fmt: skip


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
        or (task.due_on <= chosen.from_on + timedelta(days=4) and not task.why.startswith("due every"))
    ]


def headline(chosen: Plan) -> str:
    """The plan in two sentences, as Markdown."""
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
        f" Cost: **{values.whole(whole.cost)}** in the site's currency."
        if whole.cost is not None
        else f" Cost: – (the settings name no price for {_listed(whole.cost_missing)}"
        + ("; what services cost so far is not taken for one)." if "costs.service" in whole.cost_missing else ").")
    )
    return risk + cost


def _listed(missing: Sequence[str]) -> str:
    names = {"costs.visit": "a visit", "costs.service": "a service", "costs.replacement": "a new probe"}
    words = [names[one] for one in missing]
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def proof(whole: Plan) -> str:
    """How far from the best the plan may be."""
    if whole.gap_pct is None:
        return ""
    if whole.gap_pct > MOST_GAP_PCT:
        return (
            f"Time ran out: a plan may exist that weighs up to {values.number(whole.gap_pct, '%', digits=2)} less. "
            "A shorter horizon is worked out to the end."
        )
    left = values.number(max(whole.gap_pct, 0.01), "%", digits=1)
    return f"No plan that keeps the same cover weighs less by more than {left}: worked out to the end."


def beside(whole: Plan) -> pd.DataFrame:
    """The plan and the one with each probe on its own due date, row by row."""
    due = whole.due_dates
    if due is None:
        return pd.DataFrame()
    rows = [
        ("Visits", f"{len(whole.visits)}", f"{due.visits}"),
        ("Cost", values.whole(whole.cost), values.whole(due.cost)),
        ("Days at risk", *(values.number(one, "d", digits=2) for one in (whole.risk_days, due.risk_days))),
        ("Probe-days short of cover", f"{whole.days_short}", f"{due.days_short}"),
    ]
    return pd.DataFrame(rows, columns=["Measure", "This plan", "Each on its own due date"])


def risk_table(look: read.Look, whole: Plan) -> pd.DataFrame:
    """Where the days at risk come from: each probe with a forecast, with the way to its readings."""
    due = dict(whole.due_dates.risk_by_probe) if whole.due_dates is not None else {}
    forecast = crossings(look)
    served = {
        task.probe: visit.on
        for visit in reversed(whole.visits)
        for task in visit.probes
        if task.kind in ("service", "replace")
    }
    rows = [
        {
            "probe": probe,
            "story": story,
            "p05": forecast[probe].p05,
            "p50": forecast[probe].p50,
            "p95": forecast[probe].p95,
            "served_on": served.get(probe),
            "plan_days": days,
            "due_days": due.get(probe),
        }
        for (probe, days), story in zip(
            whole.risk_by_probe, links.hrefs("probe", "probe", [one for one, _ in whole.risk_by_probe]), strict=True
        )
    ]
    columns = ["probe", "story", "p05", "p50", "p95", "served_on", "plan_days", "due_days"]
    return pd.DataFrame(rows, columns=columns).sort_values("plan_days", ascending=False, kind="stable")


def rounds_table(chosen: Plan) -> pd.DataFrame:
    """The checks of the site's own people."""
    rows = [
        {
            "site": one.site,
            "probe": one.probe,
            "story": story,
            "next_on": one.next_on,
            "every_days": one.every_days,
            "why": one.why,
        }
        for one, story in zip(chosen.rounds, links.hrefs("probe", "probe", [one.probe for one in chosen.rounds]), strict=True)
    ]
    return pd.DataFrame(rows, columns=["site", "probe", "story", "next_on", "every_days", "why"])


def table(chosen: Plan) -> pd.DataFrame:
    """One row a task: visit, site, probe or source, address of its page, what, when due, why."""
    why = {one.source: one for one in chosen.sources}
    rows = []
    for visit in chosen.visits:
        rows += [
            {
                "on": visit.on,
                "site": visit.site,
                "probe": task.probe,
                "story": story,
                "what": f"{TASKS[task.kind].mark} {TASKS[task.kind].word}",
                "due_on": task.due_on,
                "why": as_on_pages(task.why),
            }
            for task, story in zip(visit.probes, links.hrefs("probe", "probe", [one.probe for one in visit.probes]), strict=True)
        ]
        rows += [
            {
                "on": visit.on,
                "site": visit.site,
                "probe": name,
                "story": links.href("sources", source=name),
                "what": "◉ replace source",
                "due_on": why[name].replace_by if name in why else None,
                "why": as_on_pages(why[name].why) if name in why else "",
            }
            for name in visit.sources
        ]
    return pd.DataFrame(rows, columns=["on", "site", "probe", "story", "what", "due_on", "why"])


def calendar_file(look: read.Look, chosen: Plan) -> bytes:
    """The visits as a calendar file."""
    return calendar(chosen, newest_record(look.records, look.as_of), look.settings.site.time_zone)


def register() -> pd.DataFrame:
    """Every entry of the register of loans, newest first; empty where there is no store."""
    return _book()[1].copy()


def lend(probe: str, site: str, from_on: date, to_on: date | None, *, by: str, note: str) -> int:
    """Enter a loan; returns its number."""
    from analytics.records import loans as book

    return book.lend(place.store_path(), probe, site, from_on, to_on, by=named(by), note=because(note))


def may_lend() -> bool:
    """Whether whoever is there may write in the register; the records ask again."""
    return place.store_path().is_file() and sign_in.may("lend")


def lend_as_proposed(one: ProposedLoan, *, by: str) -> int:
    """Enter a loan that the plan proposes."""
    return lend(one.probe, one.to_site, one.from_on, one.to_on, by=by, note=f"as planned: {one.why}")


def end_loan(loan_id: int, to_on: date | None, *, by: str, reason: str) -> None:
    """Set the last day of a loan."""
    from analytics.records import loans as book

    book.end_loan(place.store_path(), loan_id, to_on, by=named(by), reason=because(reason))


def take_back(loan_id: int, *, by: str, reason: str) -> None:
    """Undo a loan that was entered by mistake."""
    from analytics.records import loans as book

    book.take_back(place.store_path(), loan_id, by=named(by), reason=because(reason))
