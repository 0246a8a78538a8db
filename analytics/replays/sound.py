"""Alarms a probe-year on probes that later proved sound: by what was found, or, unconfirmed, by what became of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime

from analytics.advice.verdict import SERVICE_KINDS
from analytics.records.snapshot import Records
from analytics.replays.results import AlarmRate, PassedTolerance
from analytics.results import FleetAssessment

YEAR_S = 365.2422 * 86400.0


def alarm_rate(
    assessment: FleetAssessment, known: Records, passed: Sequence[PassedTolerance]
) -> AlarmRate:
    """The rate over probes found sound, and over those that only look it.

    known: the records up to the assessment's moment. Found sound: every finding on record says "none"; its time ends
    with the last of them. Looks sound: no finding, no service, no limit passed, no alarm standing; its time ends with its last
    check. All other probes without a finding are still open and take no part; those found faulty take none either.
    """
    episodes: dict[str, dict[str, datetime]] = defaultdict(dict)
    standing: set[str] = set()
    for series in assessment.series:
        for alert in series.alerts:
            mine = episodes[series.probe]
            mine[alert.episode] = min(alert.signalled_at, mine.get(alert.episode, alert.signalled_at))
            if alert.settled_at is None:
                standing.add(series.probe)
    found: dict[str, list[tuple[datetime, str]]] = defaultdict(list)
    for probe, at, what in zip(
        known.outcomes["probe"].astype(object),
        known.outcomes["found_at"],
        known.outcomes["found"].astype(object),
        strict=True,
    ):
        found[str(probe)].append((at.to_pydatetime(), str(what)))
    served = known.events["new_reference"] | known.events["kind"].isin(SERVICE_KINDS)
    not_sound = standing | {one.probe for one in passed} | set(known.events.loc[served, "probe"].astype(object))
    counted = known.readings[~known.readings["excluded"]]
    spans = counted.groupby(counted["probe"].astype(object))["taken_at"].agg(["min", "max"])
    confirmed, unconfirmed, still_open = [0, 0.0, 0], [0, 0.0, 0], 0
    for probe, first, last in zip(spans.index, spans["min"], spans["max"], strict=True):
        findings = found.get(str(probe), [])
        if findings and any(what != "none" for _, what in findings):
            continue
        if findings:
            end, group = max(at for at, _ in findings), confirmed
        elif probe in not_sound:
            still_open += 1
            continue
        else:
            end, group = last.to_pydatetime(), unconfirmed
        group[0] += sum(at <= end for at in episodes[str(probe)].values())
        group[1] += max((end - first.to_pydatetime()).total_seconds(), 0.0) / YEAR_S
        group[2] += 1
    return AlarmRate(
        int(confirmed[0]),
        float(confirmed[1]),
        int(confirmed[2]),
        int(unconfirmed[0]),
        float(unconfirmed[1]),
        int(unconfirmed[2]),
        still_open,
    )
