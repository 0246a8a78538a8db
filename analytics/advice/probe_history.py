"""What a probe's records add to its charts: services, clearings, inspections, age, costs, and what its counts can carry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from analytics.advice.fitness import fitness
from analytics.advice.gather import LEVEL_RULES
from analytics.advice.out_of_use import Verifying, barred
from analytics.advice.repairs_held import interval
from analytics.advice.replacement import KeepOrReplace, expected_services, keep_or_replace
from analytics.advice.situation import SERVICE_KINDS, Situation
from analytics.advice.watchable import unwatchable
from analytics.baseline.rows import Ints, days
from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Counted
from analytics.named_rows import named_rows
from analytics.records.snapshot import Records
from analytics.results import Alert
from analytics.settings import Settings
from analytics.words import day, moment, money

YEAR_DAYS = 365.2422
WHOLE_DAY = 1.0 - 1.0 / 86_400.0
UNNAMED = "a person not named"
NEW_LEVEL = ("detector_replaced", "recentred")  # after these another response is no fault


@dataclass(frozen=True)
class FleetHistory:
    """Services and probe-years of the fleet, the usual cost of a service, and since when each probe has been on record."""

    services: int
    years: float
    service_cost: float | None
    known_years: Mapping[str, float]


class Told(NamedTuple):
    """An event or a decision on record: when, what, and by whom."""

    at_days: float
    kind: str
    by: str


def told(table: pd.DataFrame, column: str) -> dict[str, list[Told]]:
    """Events or decisions by probe, in the order of the table. column: of the moment."""
    out: dict[str, list[Told]] = {}
    at = days(table[column].to_numpy().astype("datetime64[us]")).tolist()
    kinds, people = table["kind"].astype(object), table["by"].astype(object)
    for name, when, kind, by in zip(table["probe"].astype(object), at, kinds, people, strict=True):
        out.setdefault(str(name), []).append(Told(when, str(kind), UNNAMED if pd.isna(by) else str(by)))
    return out


def first_checks(counted: Counted) -> dict[str, float]:
    """Day of the first check of every probe that has one, in the order of their names."""
    table = counted.response
    if len(table.series) == 0:
        return {}
    first = np.full(len(counted.names.probe), np.inf)
    np.minimum.at(first, table.keys.probe[table.series], days(table.check_at))
    return {counted.names.probe[code]: float(first[code]) for code in np.flatnonzero(np.isfinite(first))}


def fleet_history(records: Records, first_checks: Mapping[str, float], as_of: datetime) -> FleetHistory:
    """From the day each probe was put into service, or its first check where that is not recorded, up to ``as_of``."""
    first, now = dict(first_checks), float(days(np.array([as_of], "datetime64[us]"))[0])
    for one in named_rows(records.probes):
        if pd.notna(one.in_service_on):
            began = float(days(np.array([one.in_service_on], "datetime64[us]"))[0])
            first[str(one.probe)] = min(began, first.get(str(one.probe), began))
    years = {name: max(now - began, 0.0) / YEAR_DAYS for name, began in first.items()}
    costs = records.events.loc[records.events["kind"].isin(SERVICE_KINDS), "cost"]
    usable = costs[costs >= 0]
    return FleetHistory(
        int(records.events["kind"].isin(SERVICE_KINDS).sum()),
        sum(years.values()),
        float(usable.median()) if len(usable) else None,
        years,
    )


def service_history(
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


def out_of_use(
    s: Situation,
    story: list[tuple[float, str]],
    events: Sequence[Told],
    decisions: Sequence[Told],
    alerts: Sequence[tuple[Alert, int]],
    checks: Verifying,
) -> None:
    """What bars the probe from patients, and the clearings that cleared nothing."""
    clearings = _clearings(events, s.now_days) + _clearings(decisions, s.now_days)
    taken = [one.at_days for one in decisions if one.kind == "out_of_use"]
    found = barred(
        alerts, story, sorted(clearings), taken, s.services, checks, _unrestored(s), s.tolerance_pct / 100.0,
        s.now_days,
    )
    s.uncleared, s.out_of_use, s.withdrawn, s.clearing = found.since, found.taken_out, found.withdrawn, found.sentences
    s.clearing_verified, s.cleared = found.verified, found.cleared
    if s.withdrawn is not None:
        s.overdue = []


def _clearings(on_record: Sequence[Told], now: float) -> list[tuple[float, str]]:
    """Day and who. A date without a time is its whole day, as far as it has passed."""
    return [
        (min(one.at_days + WHOLE_DAY, now) if one.at_days % 1.0 == 0 else one.at_days, one.by)
        for one in on_record
        if one.kind == "cleared"
    ]


def _unrestored(s: Situation) -> bool:
    """After the last service the response surely lies beyond tolerance of what it was before, and it should not."""
    if s.last is None or s.last.kind in NEW_LEVEL:
        return False
    low, high = np.log1p(-s.tolerance_pct / 100.0), np.log1p(s.tolerance_pct / 100.0)
    ends = [interval(p.left, p.left_sd) for p in s.last.parts if p.what == "response"]
    return any(up < low or down > high for down, up in ends)


def fitness_and_age(s: Situation, row: Any, inspections: Sequence[Any], settings: Settings) -> None:
    """Sensitivity against the floor, failed inspections, years in service."""
    changed = [when for when, _ in s.services]
    s.fitness = fitness(
        inspections,
        settings.limits.fitness_floor,
        settings.decision.clinical_nuclide,
        pd.Timestamp(moment(max(changed))) if changed else None,
    )
    if pd.notna(row.in_service_on):
        s.age_years = max((s.as_of - row.in_service_on.to_pydatetime()).total_seconds() / 86400.0 / YEAR_DAYS, 0.0)


def costs_of(s: Situation, row: Any, fleet: FleetHistory, service_due: bool, settings: Settings) -> KeepOrReplace:
    """Both equivalent annual costs.

    service_due: the table, asked without them, wants a service, or a retirement: kept, the probe would have to be served first.
    """
    costs = settings.costs
    own = float(row.replacement_cost) if pd.notna(row.replacement_cost) else None
    years = fleet.known_years.get(str(row.probe), 0.0)
    return keep_or_replace(
        price=own if own is not None else costs.replacement,
        service=costs.service if costs.service is not None else fleet.service_cost,
        upkeep_per_year=costs.upkeep_per_year,
        rate=costs.discount_rate_pct / 100.0,
        life_years=costs.service_life_years,
        age_years=s.age_years,
        services_per_year=expected_services(len(s.services), years, fleet.services, fleet.years),
        fleet_services_per_year=fleet.services / fleet.years if fleet.years > 0 else 0.0,
        service_due=service_due,
        years_after_service=settings.decision.years_after_service,
    )


def cost_lines(costs: KeepOrReplace) -> tuple[tuple[str, str], ...]:
    """What the head of department is shown: figures, what they rest on, or what is missing."""
    if costs.keep_per_year is None or costs.replace_per_year is None:
        return (("not known", "Missing: " + "; ".join(costs.missing) + "."),) if costs.missing else ()
    return (
        ("keep, a year", money(costs.keep_per_year)),
        ("replace, a year", money(costs.replace_per_year)),
        *(("assumed", text) for text in costs.assumed),
    )


def place_of_checks(counted: Counted) -> Ints:
    """Row of the response table by check; −1 where it has none."""
    table = counted.response
    out = np.full(int(table.check.max(initial=-1)) + 1, -1, np.int64)
    out[table.check] = np.arange(len(table.check))
    return out


def watch_remarks(
    counted: Counted, charts: ResponseCharts, units: Ints, tolerance_pct: float, places: Ints
) -> tuple[str, ...]:
    """Whether the tolerance can be watched with the counts of the newest check of each series in force.

    places: as ``place_of_checks`` gives them.
    """
    out = []
    rows, table = charts.rows, counted.response
    windows = [counted.names.window[code] for code in table.keys.window[rows.unit_series[units]]]
    for row, window in zip((rows.unit_first[units + 1] - 1).tolist(), windows, strict=True):
        check = int(rows.check[row])
        at = int(places[check]) if check < len(places) else -1
        if at < 0:
            continue
        placing = float(charts.corrected.placing[row]) / max(int(table.placements[at]), 1)
        said = unwatchable(
            float(table.log_var[at]), float(table.gross_time_s[at]), placing, tolerance_pct,
            counted.names.source[table.source[at]], window if len(set(windows)) > 1 else "",
        )
        if said is not None:
            out.append(said)
    return tuple(dict.fromkeys(out))
