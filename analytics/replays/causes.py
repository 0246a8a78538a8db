"""The cause that was named just before somebody looked, beside what they found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from analytics.advice.companions import companions
from analytics.advice.gather import gather
from analytics.advice.verdict import SERVICE_KINDS, Situation, judge
from analytics.baseline.rows import days
from analytics.replays.backdate import Pass, then
from analytics.replays.forecasts import state_then
from analytics.replays.reliability import Reliability, reliability
from analytics.replays.results import NamedCause
from analytics.results import Alert, FleetAssessment

MENDING = (*SERVICE_KINDS, "cleaned", "battery_replaced")
NOTED_LATE_DAYS = 31  # a finding may be written down so long after the service it came from
JUST_BEFORE = timedelta(microseconds=1)


def named_causes(
    whole: Pass, assessment: FleetAssessment, progress: Callable[[float], None] | None = None
) -> list[NamedCause]:
    """For every finding on record the answer of the moment before: before the service, where one belongs to it.

    A cause that the answer gave only because the service before that did not hold (no alarm stood) is not read off here.
    """
    table = whole.records.outcomes.sort_values(["found_at", "probe"], kind="stable")
    alerts: dict[str, list[Alert]] = {}
    for series in assessment.series:
        alerts.setdefault(series.probe, []).extend(series.alerts)
    code_of = {name: code for code, name in enumerate(whole.counted.names.probe)}
    before: dict[str, datetime] = {}
    out = []
    for number, (probe, at, found) in enumerate(
        zip(table["probe"].astype(object), table["found_at"], table["found"].astype(object), strict=True)
    ):
        name, found_at = str(probe), at.to_pydatetime()
        moment = _just_before(whole.records.events, name, found_at, before.get(name))
        before[name] = found_at
        if name in code_of:
            cause, probability = _named(whole, code_of[name], name, moment, alerts.get(name, []))
            out.append(NamedCause(name, found_at, moment, cause, probability, str(found)))
        if progress is not None:
            progress((number + 1) / len(table))
    return out


def _just_before(events: pd.DataFrame, probe: str, found_at: datetime, earlier: datetime | None) -> datetime:
    """The moment before the service that a finding came from; else that of the finding."""
    after = found_at - timedelta(days=NOTED_LATE_DAYS)
    if earlier is not None:
        after = max(after, earlier)
    mine = events[
        (events["probe"] == probe)
        & events["kind"].isin(MENDING)
        & (events["happened_at"] > pd.Timestamp(after))
        & (events["happened_at"] <= pd.Timestamp(found_at) + pd.Timedelta(days=1))
    ]
    if len(mine) == 0:
        return found_at
    first: datetime = mine["happened_at"].min().to_pydatetime()
    return min(first, found_at) - JUST_BEFORE


def _named(
    whole: Pass, probe: int, name: str, moment: datetime, alerts: list[Alert]
) -> tuple[str, float | None]:
    """Cause and probability as the answer of that moment gave them."""
    at = then(whole, moment, probe)
    state = state_then(whole, at)
    open_alerts = [
        replace(one, settled_at=None)
        for one in alerts
        if one.signalled_at <= moment and (one.settled_at is None or one.settled_at > moment)
    ]
    newest = {series: unit for unit, series in enumerate(at.charts.rows.unit_series.tolist())}  # later units win
    silent = any(one.rule == "no_signal" for one in open_alerts)
    evidence = gather(
        probe,
        name,
        at.charts,
        state,
        at.quantities,
        np.array(sorted(newest.values()), np.int64),
        open_alerts,
        companions(at.charts, whole.counted.response_states),
        not silent,
        _story(at.events, name),
    )
    said = judge(Situation(evidence))
    return said.cause, said.cause_probability


def _story(events: pd.DataFrame, probe: str) -> list[tuple[float, str]]:
    """What happened to the probe, in order: (day, kind)."""
    mine = events[events["probe"] == probe]
    return sorted(zip(days(mine["happened_at"].to_numpy().astype("datetime64[us]")).tolist(), mine["kind"].astype(str), strict=True))


def cause_reliability(causes: list[NamedCause]) -> Reliability:
    """Of the causes that were named with a probability, how many were found, by that probability."""
    named = [(one.probability, one.right) for one in causes if one.probability is not None]
    return reliability([p for p, _ in named], [right for _, right in named])
