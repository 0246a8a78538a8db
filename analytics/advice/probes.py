"""One result a registered probe, from everything that is known about it."""

from __future__ import annotations

from datetime import date, datetime

import numpy as np

from analytics.advice.companions import Companion
from analytics.advice.gather import LEVEL_RULES, gather
from analytics.advice.overdue import Due
from analytics.advice.record_errors import Proposal
from analytics.advice.verdict import SERVICE_KINDS, Situation, judge
from analytics.baseline.rows import Ints, days
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.counting.flags import SENTENCES, Flag
from analytics.counting.tables import Counted
from analytics.drift.state import DriftState
from analytics.named_rows import named_rows
from analytics.records.snapshot import Records
from analytics.results import Alert, Crossing, ProbeResult, SeriesResult
from analytics.settings import Settings
from analytics.words import day, moment

GROSS = SENTENCES[Flag.GROSS]


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
    settings: Settings,
    as_of: datetime,
    now: float,
) -> tuple[ProbeResult, ...]:
    """The answers in the order of the probe ids."""
    code_of = {name: code for code, name in enumerate(counted.names.probe)}
    newest = np.full(len(counted.response.keys), -1, np.int64)
    newest[charts.rows.unit_series] = np.arange(charts.rows.units)
    series_probe = counted.response.keys.probe
    by_probe: dict[str, list[SeriesResult]] = {}
    for one in series:
        by_probe.setdefault(one.probe, []).append(one)
    due_by: dict[str, list[Due]] = {}
    for check in due:
        due_by.setdefault(check.probe, []).append(check)
    events: dict[str, list[tuple[float, str]]] = {}
    at = days(records.events["happened_at"].to_numpy().astype("datetime64[us]"))
    for name, when, kind in zip(
        records.events["probe"].astype(object), at, records.events["kind"].astype(object), strict=True
    ):
        events.setdefault(str(name), []).append((float(when), str(kind)))
    decisions: dict[str, list[tuple[float, str]]] = {}
    decided = days(records.decisions["decided_at"].to_numpy().astype("datetime64[us]"))
    for name, when, kind in zip(
        records.decisions["probe"].astype(object), decided, records.decisions["kind"].astype(object), strict=True
    ):
        decisions.setdefault(str(name), []).append((float(when), str(kind)))
    out = []
    for row in named_rows(records.probes.sort_values("probe")):
        name = str(row.probe)
        code = code_of.get(name, -1)
        mine = by_probe.get(name, [])
        alerts = [a for one in mine for a in one.alerts]
        open_alerts = [a for a in alerts if a.settled_at is None]
        units = newest[(series_probe == code) & (newest >= 0)] if code >= 0 else np.zeros(0, np.int64)
        silent = any(a.rule == "no_signal" for a in open_alerts)
        evidence = gather(code, name, charts, state, quantities, units, open_alerts, companion, not silent)
        story = sorted(events.get(name, []))
        services = [one for one in story if one[1] in SERVICE_KINDS]
        checks = due_by.get(name, [])
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
            crossing=_soonest(mine),
            ever_read=last_check is not None,
            silent_once=any(p in silent_now for p in np.flatnonzero(series_probe == code)) if code >= 0 else False,
            remarks=tuple(dict.fromkeys(n for one in mine for n in one.notes if n == GROSS)),
            slip=next((p.text for p in slips if p.pending and series_probe[p.series] == code), None),
        )
        _service_history(situation, services, alerts, last_check)
        _out_of_use(situation, story, decisions.get(name, []), alerts, last_check)
        verdict = judge(situation)
        due_on = {d.kind: d.due_on for d in checks}
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


def _service_history(
    s: Situation, services: list[tuple[float, str]], alerts: list[Alert], last_check: datetime | None
) -> None:
    """Whether the last service was followed by a check, and whether the alarms it answered came back."""
    if not services:
        return
    when, kind = services[-1]
    at = moment(when)
    if last_check is None or last_check <= at:
        s.unread_since = f"{kind.replace('_', ' ')} on {day(when)}"
    before = {
        a.rule if a.rule not in LEVEL_RULES else "level"
        for a in alerts
        if a.signalled_at <= at and (a.settled_at is None or a.settled_at >= at)
    }
    after = {
        a.rule if a.rule not in LEVEL_RULES else "level" for a in alerts if a.signalled_at > at and a.settled_at is None
    }
    s.earlier_alarm_before_service = bool(before & after)


def _out_of_use(
    s: Situation,
    story: list[tuple[float, str]],
    decisions: list[tuple[float, str]],
    alerts: list[Alert],
    last_check: datetime | None,
) -> None:
    """Taken out by a person and not cleared since; and the alarm that forbids use and that nothing has answered yet."""
    withdrawn = max([w for w, k in story if k == "withdrawn"], default=float("-inf"))
    out = max([withdrawn, *[w for w, k in decisions if k == "out_of_use"]])
    cleared = max([w for w, k in story + decisions if k == "cleared"], default=float("-inf"))
    s.out_of_use = out > cleared
    s.withdrawn = day(withdrawn) if withdrawn > cleared else None
    if s.withdrawn is not None:
        s.overdue = []
    for alert in sorted((a for a in alerts if a.rule in ("tolerance", "no_signal")), key=lambda a: a.signalled_at):
        when = (alert.signalled_at - datetime(1970, 1, 1)).total_seconds() / 86400.0
        served = [w for w, _ in s.services if w > when]
        answered = (
            bool(served) and alert.settled_at is not None and last_check is not None and last_check > moment(served[0])
        )
        silent = alert.rule == "no_signal" and alert.settled_at is None  # nobody can clear what still counts nothing
        if (cleared <= when or silent) and not answered:
            s.uncleared = alert.signalled_at.date().isoformat()
