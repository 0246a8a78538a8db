"""The tables of what happened and what people did: alerts, decisions, exclusions, corrections."""

from __future__ import annotations

from datetime import date
from typing import Any

import pandas as pd

from analytics.cut import cut
from analytics.named_rows import named_rows
from dashboard.parts.words import DEVICE_KIND, QUANTITY, RULE
from dashboard.report.gathered import Gathered
from dashboard.report.model import Column, Table, rows_of
from dashboard.report.tables import devices_in_scope, names, vars_of

ALERTS = (
    Column("subject", "On", width="1fr"),
    Column("rule", "Rule", width="1.3fr"),
    Column("signalled_at", "Signalled", "day", width="auto"),
    Column("onset_estimate", "Since about", "day", width="auto"),
    Column("settled_at", "Settled", "day", width="auto"),
    Column("seen", "Seen by", width="0.9fr"),
    Column("handed", "Handed to", width="0.9fr"),
    Column("settled", "Settled by", width="0.9fr"),
    Column("detail", "What it says", "said", width="3.4fr"),
    Column("quantity", "Quantity"),
    Column("episode", "Episode"),
    Column("window", "Window"),
    Column("direction", "Direction"),
)


def alert_table(given: Gathered) -> Table:
    """Alerts that signalled in the period or were open in it, oldest first, with who saw and who settled them."""
    mine = given.scope.probes(given.assessment)
    seen = people_by_episode(given)
    rows = []
    for s in given.assessment.series:
        if s.probe in mine:
            rows += [
                {"subject": s.probe, "quantity": QUANTITY[s.quantity], "window": s.window, **_alert(a, seen)}
                for a in s.alerts
            ]
    for d in devices_in_scope(given):
        rows += [{"subject": d.name, "quantity": DEVICE_KIND[d.kind], **_alert(a, seen)} for a in d.alerts]
    served = _services(given)
    for row in rows:
        row["settled"] = row["settled"] or _by_itself(row, served)
    start, end = given.period.start, given.period.end
    rows = [r for r in rows if r["signalled_at"] <= end and (r["settled_at"] is None or r["settled_at"] >= start)]
    rows.sort(key=lambda r: (r["signalled_at"], r["subject"], r["rule"]))
    return Table(
        "Alerts", "Alerts", ALERTS, rows_of(ALERTS, rows), "No alert was given, and none stood.", names(ALERTS[:9])
    )


def _alert(a: Any, seen: dict[tuple[str, str], str]) -> dict[str, Any]:
    return {
        **vars_of(a, ("episode", "signalled_at", "onset_estimate", "settled_at", "direction", "detail")),
        "rule": RULE[a.rule],
        "seen": seen.get((a.episode, "seen"), ""),
        "handed": seen.get((a.episode, "handed"), ""),
        "settled": seen.get((a.episode, "settled"), ""),
    }


def _services(given: Gathered) -> dict[tuple[str, date], str]:
    """Kind of service by probe and day."""
    events = given.papers.records.events
    mine = events[events["new_reference"]]
    return {
        (str(one.probe), one.happened_at.date()): str(one.kind).replace("_", " ") for one in named_rows(mine)
    }


def _by_itself(row: dict[str, Any], served: dict[tuple[str, date], str]) -> str:
    """What settled an alert that no person settled: a service of that day, or the readings."""
    if row["settled_at"] is None:
        return ""
    return served.get((row["subject"], row["settled_at"].date()), "the readings")


def people_by_episode(given: Gathered) -> dict[tuple[str, str], str]:
    """Who saw and who settled each episode, up to the moment of the answer."""
    out: dict[tuple[str, str], str] = {}
    known = cut(given.papers.records, given.assessment.as_of).decisions
    for one in named_rows(known[known["kind"].isin(["seen", "handed", "settled"])]):
        to = f"{one.value}, by " if one.kind == "handed" else ""
        out[str(one.episode), str(one.kind)] = f"{to}{one.by}, {one.decided_at:%Y-%m-%d}"
    return out


TAKEN_BACK = (
    Column("shown_at", "Shown", "moment", width="auto"),
    Column("subject", "On", width="1fr"),
    Column("rule", "Rule", width="1.3fr"),
    Column("signalled_at", "Signalled", "day", width="auto"),
    Column("detail", "What it said", "said", width="3fr"),
    Column("withdrawn", "Taken back by", width="2fr"),
)


def taken_back_table(given: Gathered) -> Table:
    """Alerts that were shown in the period and do not stand any more, since a record was changed."""
    mine = given.scope.probes(given.assessment) | {one.name for one in devices_in_scope(given)}
    log = given.shown if given.shown is not None else pd.DataFrame(columns=names(TAKEN_BACK))
    words: dict[str, str] = {str(rule): word for rule, word in RULE.items()}
    rows = [
        {**vars_of(one, names(TAKEN_BACK)), "rule": words.get(str(one.rule), str(one.rule))}
        for one in named_rows(log.sort_values("shown_at", kind="stable"))
        if isinstance(one.withdrawn, str) and one.subject in mine and given.period.holds(one.shown_at.to_pydatetime())
    ]
    empty = (
        "No alert that was shown was taken back."
        if given.shown is not None
        else "Not told: this report was made under settings for this run only."
    )
    return Table(
        "Taken back", "Alerts that were shown and taken back", TAKEN_BACK, rows_of(TAKEN_BACK, rows), empty, names(TAKEN_BACK)
    )


DECISIONS = (
    Column("decided_at", "When", "moment", width="auto"),
    Column("probe", "Probe", width="1fr"),
    Column("kind", "Decision", "word", width="auto"),
    Column("value", "Instead", width="auto"),
    Column("by", "By", width="1fr"),
    Column("reason", "Reason", width="3fr"),
    Column("episode", "Episode", width="1fr"),
)


def decision_table(given: Gathered) -> Table:
    """What people decided in the period."""
    mine = given.scope.probes(given.assessment)
    whole = given.scope.probe is None and given.scope.site is None
    rows = [
        {**vars_of(one, names(DECISIONS)), "kind": str(one.kind).replace("_", " ")}
        for one in named_rows(given.papers.records.decisions)
        if given.period.holds(one.decided_at.to_pydatetime()) and (whole or one.probe in mine)
    ]
    return Table("Decisions", "Decisions", DECISIONS, rows_of(DECISIONS, rows), "No decision was recorded.", names(DECISIONS))


EXCLUSIONS = (
    Column("excluded_at", "Excluded", "moment", width="auto"),
    Column("by", "By", width="1fr"),
    Column("probe", "Probe", width="1fr"),
    Column("taken_at", "Taken", "moment", width="auto"),
    Column("measurement", "Measurement", "word", width="auto"),
    Column("counts", "Counts", "whole", width="auto"),
    Column("reason", "Reason", width="2fr"),
    Column("lifted_at", "Taken back", "moment", width="auto"),
    Column("lifted_by", "By whom", width="1fr"),
    Column("window", "Window"),
    Column("rate_cps", "Rate, cps", "number"),
    Column("count_time_s", "Time, s", "number"),
    Column("reading_id", "Reading", "whole"),
    Column("lift_reason", "Reason for taking back"),
)


def exclusion_table(given: Gathered) -> Table:
    """Exclusions in force, and those made or taken back in the period."""
    mine = given.scope.probes(given.assessment)
    rows = [
        one
        for one in given.papers.exclusions.to_dict("records")
        if one["probe"] in mine
        and (
            one["lifted_at"] != one["lifted_at"]  # NaT: still in force
            or given.period.holds(one["excluded_at"].to_pydatetime())
            or given.period.holds(one["lifted_at"].to_pydatetime())
        )
    ]
    return Table(
        "Exclusions", "Readings excluded by a person", EXCLUSIONS, rows_of(EXCLUSIONS, rows), "No reading is excluded.",
        names(EXCLUSIONS[:9]),
    )  # fmt: skip


CORRECTIONS = (
    Column("corrected_at", "Corrected", "moment", width="auto"),
    Column("by", "By", width="1fr"),
    Column("probe", "Probe", width="1fr"),
    Column("taken_at", "Taken", "moment", width="auto"),
    Column("column", "Value", width="auto"),
    Column("before", "Was", width="auto"),
    Column("after", "Is", width="auto"),
    Column("reason", "Reason", width="3fr"),
    Column("reading_id", "Reading", "whole"),
)


def correction_table(given: Gathered) -> Table:
    """Values corrected in the period; the old ones stay in the history."""
    mine = given.scope.probes(given.assessment)
    rows = [
        one
        for one in given.papers.corrections.to_dict("records")
        if one["probe"] in mine and given.period.holds(one["corrected_at"].to_pydatetime())
    ]
    return Table(
        "Corrections", "Values corrected", CORRECTIONS, rows_of(CORRECTIONS, rows), "No value was corrected.",
        names(CORRECTIONS[:8]),
    )  # fmt: skip
