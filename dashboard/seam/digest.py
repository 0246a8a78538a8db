"""The assessment boiled down for the fleet and alert pages: pure functions, no page and no store."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property

import pandas as pd

from analytics.records.snapshot import Records
from analytics.results import Alert, DeviceResult, FleetAssessment, ProbeResult, SeriesResult
from dashboard.parts.by_each import ByEach
from dashboard.parts.direction import goes
from dashboard.parts.words import CAUSE, PROBE, PROBE_ORDER, as_on_pages

RANK = {advice: i for i, advice in enumerate(PROBE_ORDER)}
_LONG_AGO = datetime(1900, 1, 1)


def headline(assessment: FleetAssessment) -> dict[str, SeriesResult]:
    """The response series that speaks for each probe: with a current value, farthest from its reference, read last."""
    best: dict[str, tuple[tuple[bool, float, datetime], SeriesResult]] = {}
    for series in assessment.series:
        if series.quantity != "response":
            continue
        away = abs(series.current_pct - 100) if series.current_pct is not None else -1.0
        weight = (series.current_pct is not None, away, series.latest_at or _LONG_AGO)
        if series.probe not in best or weight > best[series.probe][0]:
            best[series.probe] = (weight, series)
    return {probe: series for probe, (_, series) in best.items()}


TABLE_COLUMNS = (
    "answer", "probe", "patient_use", "site", "model", "detector", "now_pct", "drift_pct_per_year", "crosses_about", "cause",
    "last_check", "next_check", "why",
)  # fmt: skip
_USE = {"allowed": "yes", "repeat_first": "after a good check", "not_until_cleared": "not until cleared"}


def fleet_table(assessment: FleetAssessment, records: Records) -> pd.DataFrame:
    """One row a probe, worst first; missing numbers stay missing, with the reason in ``why``."""
    spoken = headline(assessment)
    columns = (records.probes[name].tolist() for name in ("probe", "model_type", "detector"))
    registered = {probe: rest for probe, *rest in zip(*columns, strict=True)}
    ranked = sorted(assessment.probes, key=lambda p: (RANK[p.advice], p.probe))
    rows = _ROWS((one, spoken.get(one.probe)) for one in ranked)
    table = pd.DataFrame(rows, columns=[name for name in TABLE_COLUMNS if name not in ("model", "detector")])
    for place, name in enumerate(("model", "detector")):
        table.insert(TABLE_COLUMNS.index(name), name, [registered.get(one.probe, (None, None))[place] for one in ranked])
    return table


def _row(one: ProbeResult, series: SeriesResult | None) -> tuple[object, ...]:
    """A row of the table, without model and detector."""
    return (
        f"{PROBE[one.advice].mark} {PROBE[one.advice].word}",
        one.probe,
        _USE[one.patient_use],
        one.site,
        _tenths(series.current_pct) if series else None,
        _tenths(series.drift_pct_per_year) if series and goes(one, series) else None,
        series.crossing.p50 if series and series.crossing else None,
        "" if one.cause == "none" else CAUSE[one.cause],
        one.latest_check_at,
        one.next_check_due_on,
        as_on_pages(" ".join((*one.missing, *one.reasons))),
    )


_ROWS = ByEach(_row)


def _tenths(value: float | None) -> float | None:
    """To one decimal, and never minus nought."""
    return None if value is None else round(value, 1) + 0.0


def overdue(assessment: FleetAssessment) -> pd.DataFrame:
    """Checks whose day has passed: probe, site, what, since (day it was due), days over; longest first."""
    rows = []
    for one in assessment.probes:
        for what, due in (
            ("check on the source", one.next_check_due_on),
            ("window check", one.next_window_check_due_on),
        ):
            if due is not None and due < assessment.as_of.date():
                rows.append(
                    {
                        "probe": one.probe,
                        "site": one.site,
                        "what": what,
                        "due": due,
                        "days": (assessment.as_of.date() - due).days,
                    }
                )
    table = pd.DataFrame(rows, columns=["probe", "site", "what", "due", "days"])
    return table.sort_values(["days", "probe"], ascending=[False, True], ignore_index=True)


@dataclass(frozen=True)
class Change:
    """A probe whose answer is another than it was."""

    probe: str
    site: str
    before: str  # word of the earlier answer, "not here" where it was not registered
    after: str
    why: str


def changes(before: FleetAssessment, after: FleetAssessment) -> tuple[Change, ...]:
    """Probes whose advice or patient use changed between two assessments, worst first."""
    return changed(before.probes, after)


def changed(before: Sequence[ProbeResult], after: FleetAssessment) -> tuple[Change, ...]:
    """The same from what was said of each probe before."""
    earlier = {p.probe: p for p in before}
    found = []
    for now in sorted(after.probes, key=lambda p: (RANK[p.advice], p.probe)):
        was = earlier.get(now.probe)
        if was is None or was.advice != now.advice or was.patient_use != now.patient_use:
            found.append(Change(now.probe, now.site, _said(was), _said(now), " ".join((*now.missing, *now.reasons))))
    return tuple(found)


def is_fit(probe: ProbeResult) -> bool:
    """Whether a probe is to be used and may be: a sound one that is withdrawn, or waits to be repeated, is not counted as fit."""
    return probe.advice == "use" and probe.patient_use == "allowed"


def _said(probe: ProbeResult | None) -> str:
    if probe is None:
        return "not here"
    use = {"allowed": "", "repeat_first": ", a good check first", "not_until_cleared": ", not for patients until cleared"}
    return f"{PROBE[probe.advice].word}{use[probe.patient_use]}"


@dataclass(frozen=True)
class Episode:
    """Alerts on one happening, on one probe or device."""

    episode: str
    subject: str  # probe, source, jig or readout name
    kind: str  # "probe", "source", "jig", "readout"
    site: str
    alerts: tuple[tuple[Alert, SeriesResult | None], ...]  # by time of signal
    probe: ProbeResult | None
    device: DeviceResult | None

    @property
    def first_at(self) -> datetime:
        """When the first of its alerts signalled."""
        return self.alerts[0][0].signalled_at

    @property
    def latest_at(self) -> datetime:
        """When the last of its alerts signalled."""
        return self.alerts[-1][0].signalled_at

    @property
    def onset(self) -> datetime | None:
        """Earliest estimate of when it began; None where none could be made."""
        known = [a.onset_estimate for a, _ in self.alerts if a.onset_estimate is not None]
        return min(known, default=None)

    @cached_property
    def settled_at(self) -> datetime | None:
        """When the last alert settled; None while any is open."""
        ends = [a.settled_at for a, _ in self.alerts]
        return None if any(e is None for e in ends) else max(e for e in ends if e is not None)


def episodes(assessment: FleetAssessment) -> tuple[Episode, ...]:
    """All episodes: open ones first, those that bar patient use before others, worst advice first, newest first."""
    grouped: dict[tuple[str, str, str], list[tuple[Alert, SeriesResult | None]]] = defaultdict(list)
    for series in assessment.series:
        for alert in series.alerts:
            grouped["probe", series.probe, alert.episode].append((alert, series))
    devices = {(d.kind, d.name): d for d in (*assessment.sources, *assessment.jigs, *assessment.readouts)}
    for device in devices.values():
        for alert in device.alerts:
            grouped[str(device.kind), device.name, alert.episode].append((alert, None))
    probes = {p.probe: p for p in assessment.probes}
    found = []
    by_name: dict[tuple[str, str], DeviceResult] = {(str(a), b): d for (a, b), d in devices.items()}
    for (kind, name, number), alerts in grouped.items():
        probe = probes.get(name) if kind == "probe" else None
        other = by_name.get((kind, name))
        site = probe.site if probe else ((other.site if other else None) or "")
        found.append(
            Episode(number, name, kind, site, tuple(sorted(alerts, key=lambda a: a[0].signalled_at)), probe, other)
        )
    return tuple(sorted(found, key=_urgency))


def _urgency(one: Episode) -> tuple[bool, bool, int, float, str]:
    barred = one.probe is not None and one.probe.patient_use == "not_until_cleared"
    rank = RANK[one.probe.advice] if one.probe else 1
    when = one.settled_at or one.latest_at
    return one.settled_at is not None, not barred, rank if one.settled_at is None else 0, -when.timestamp(), one.subject


def on_time(assessment: FleetAssessment) -> tuple[int, int]:
    """(probes whose check on the source is not overdue, probes that have a date for it)."""
    due: list[date] = [p.next_check_due_on for p in assessment.probes if p.next_check_due_on is not None]
    return sum(d >= assessment.as_of.date() for d in due), len(due)
