"""One result a registered probe, from everything that is known about it."""

from __future__ import annotations

from datetime import date, datetime

import numpy as np

from analytics.advice.companions import Companion
from analytics.advice.gather import gather
from analytics.advice.last_service import Windows, last_service
from analytics.advice.named_windows import named_windows
from analytics.advice.other_setup import changed_setups
from analytics.advice.overdue import Due
from analytics.advice.overrules import in_force
from analytics.advice.probe_history import (
    FleetHistory,
    cost_lines,
    costs_of,
    fitness_and_age,
    out_of_use,
    service_history,
    watch_remarks,
)
from analytics.advice.probe_tables import probe_tables, services_of
from analytics.advice.record_errors import Proposal
from analytics.advice.situation import Situation
from analytics.advice.told_apart import Untold
from analytics.advice.verdict import judge
from analytics.baseline.reference import MOVED
from analytics.baseline.rows import Ints
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.counting.flags import SENTENCES, Flag
from analytics.counting.tables import Counted
from analytics.drift.state import DriftState
from analytics.named_rows import named_rows
from analytics.records.snapshot import Records
from analytics.results import Crossing, ProbeResult, SeriesResult
from analytics.settings import Settings
from analytics.words import day

NOTED = (SENTENCES[Flag.GROSS], SENTENCES[Flag.DEAD_TIME_LOSS])  # of the newest check, that the reasons say too


def probe_results(
    records: Records,
    counted: Counted,
    charts: ResponseCharts,
    state: DriftState,
    quantities: list[QuantityChart],
    series: tuple[SeriesResult, ...],
    companion: dict[int, Companion],
    due: list[Due],
    silent_now: Ints,
    slips: tuple[Proposal, ...],
    apart: Untold,
    settings: Settings,
    as_of: datetime,
    now: float,
    fleet: FleetHistory,
) -> tuple[ProbeResult, ...]:
    """The answers in the order of the probe ids.

    apart: probes that cannot be told from their sources, by code. fleet: what is known of services over all probes.
    """
    shift = next(chart for chart in quantities if chart.quantity == "window_shift")
    of = probe_tables(records, counted, charts, state, shift, series, due, silent_now, slips)
    in_windows = Windows(counted.response.keys.window, counted.names.window)
    out = []
    for row in named_rows(records.probes.sort_values("probe")):
        name = str(row.probe)
        code = of.code.get(name, -1)
        mine = of.results.get(name, [])
        located = [(a, of.window.get(one.window, -1)) for one in mine for a in one.alerts]
        alerts = [a for a, _ in located]
        open_alerts = [a for a in alerts if a.settled_at is None]
        units = of.units_of(code)
        silent = any(a.rule == "no_signal" for a in open_alerts)
        story = of.story(name)
        evidence = gather(
            code, name, charts, state, quantities, units, open_alerts, companion, not silent, story, of.courses
        )
        evidence.source_suspect = apart.suspect.get(code)
        soonest, spoken = _soonest(mine), evidence.level_unit
        window = None if spoken is None else counted.names.window[counted.response.keys.window[charts.rows.unit_series[spoken]]]
        services = services_of(story)
        checks = sorted(of.due.get(name, []), key=lambda one: one.kind != "check")  # on the source first: the plan gives the first
        last_check = max(
            (s.latest_at for s in mine if s.quantity == "response" and s.latest_at is not None), default=None
        )
        situation = Situation(
            evidence,
            services=services,
            tolerance_pct=settings.limits.tolerance_pct,
            now_days=now,
            as_of=as_of,
            checks_in_force=_checks_in_force(charts, units),
            least_checks=settings.reference.least_readings,
            overdue=[_overdue_sentence(d) for d in checks if d.overdue],
            repeat_requested=any(s.repeat_requested for s in mine),
            crossing=soonest,
            windows=named_windows(mine, window, soonest),
            ever_read=last_check is not None,
            silent_once=code in of.silent,
            unjudged=of.unjudged.get(code),
            not_told_apart=apart.missing.get(code),
            remarks=tuple(dict.fromkeys(n for one in mine for n in one.notes if n in NOTED or n.startswith(MOVED))),
            slip=of.slips.get(code),
            services_window_days=settings.decision.services_window_days,
            visit_days=settings.decision.visit_days,
            life_years=settings.costs.service_life_years,
        )
        service_history(situation, services, alerts, last_check)
        if services:
            situation.last = last_service(
                *services[-1], charts, state, shift, of.around, code, located, in_windows,
                settings.decision.service_fails_share, settings.limits.action_level_pct,
            )
        out_of_use(
            situation, story, of.events.get(name, []), of.decisions.get(name, []),
            located,
            of.checks.of_probe(code),
        )
        situation.overrule = in_force(of.overrules.get(name, []), as_of)
        fitness_and_age(situation, row, of.inspections.get(name, []), settings)
        situation.remarks += tuple(of_code[code] for of_code in (apart.remark, of.half_looks) if code in of_code)
        situation.remarks += changed_setups(mine, settings.limits.action_level_pct, (day(when) for when, _ in services))
        situation.remarks += watch_remarks(counted, charts, units, settings.limits.tolerance_pct, of.places)
        verdict = judge(situation, settings.decision.rows)
        situation.costs = costs_of(situation, row, fleet, verdict.advice in ("service", "retire"), settings)
        if situation.costs.ratio is not None:
            verdict = judge(situation, settings.decision.rows)
        due_on = {} if situation.withdrawn is not None else {d.kind: d.due_on for d in checks}  # out of use: none is asked for
        out.append(
            ProbeResult(
                name,
                "" if row.site is None else str(row.site),
                verdict.advice,
                verdict.patient_use,
                verdict.cause,
                verdict.cause_probability,
                verdict.reasons,
                verdict.missing,
                verdict.probabilities,
                last_check,
                due_on.get("check"),
                due_on.get("window check"),
                verdict.decided_by,
                verdict.because,
                dict(verdict.facts),
                cost_lines(situation.costs),
                situation.overrule,
                situation.clearing_verified,
            )
        )
    return tuple(out)


def _checks_in_force(charts: ResponseCharts, units: Ints) -> int:
    """Checks of the best-known response series since its present reference began."""
    rows = charts.rows
    counts = [int(rows.ordinal[rows.unit_first[u + 1] - 1]) + 1 for u in units if not np.isfinite(charts.unit_ends[u])]
    return max(counts, default=0)


def _overdue_sentence(check: Due) -> str:
    return f"The {check.kind} is overdue: last on {check.last_on}, usually every {check.interval_days:.0f} d, due on {check.due_on}."


def _soonest(series: list[SeriesResult]) -> Crossing | None:
    crossings = [s.crossing for s in series if s.crossing is not None and s.crossing.p50 is not None]
    return (
        min(crossings, key=lambda c: c.p50 or date.max)
        if crossings
        else next((s.crossing for s in series if s.crossing is not None), None)
    )
