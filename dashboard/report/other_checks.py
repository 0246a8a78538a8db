"""Checks that are not countings, as an inspector asks for them: what is due or failed, and what was done in the period."""

from __future__ import annotations

import pandas as pd

from analytics.advice.other_checks import SOURCE_KINDS, other_checks
from analytics.cut import cut
from dashboard.parts.check_states import STATE
from dashboard.report.gathered import Gathered
from dashboard.report.model import Column, Table, rows_of
from dashboard.report.tables import devices_in_scope, names

WANTED = ("failed", "asked_for", "past_due")
DUE = (
    Column("state", "State", width="auto"),
    Column("subject", "Probe or source", width="1fr"),
    Column("site", "Site", width="1fr"),
    Column("kind", "Check", width="auto"),
    Column("due_on", "Due", "day", width="auto"),
    Column("last_on", "Last", "day", width="auto"),
    Column("last_result", "Result", width="auto"),
    Column("why", "Why", "said", width="2.5fr"),
    Column("subject_kind", "Of a"),
    Column("interval_days", "Interval, d", "number"),
)
DONE = (
    Column("done_at", "Done", "moment", width="auto"),
    Column("subject", "Probe or source", width="1fr"),
    Column("kind", "Check", width="auto"),
    Column("result", "Result", width="auto"),
    Column("value", "Value", "number", 4, "auto"),
    Column("unit", "Unit", width="auto"),
    Column("nuclide", "Nuclide", width="auto"),
    Column("person", "Person", width="1fr"),
    Column("note", "Note", width="2fr"),
)


def report_tables(given: Gathered) -> tuple[Table, ...]:
    """What is due (printed where it wants a look, and of sources always; all in the workbook), and what was done."""
    mine = given.scope.probes(given.assessment) | {one.name for one in devices_in_scope(given) if one.kind == "source"}
    found = other_checks(given.papers.records, given.settings, given.assessment.as_of)
    found = found[found["subject"].isin(mine)]
    due = (found["state"] == "due_soon") & (pd.to_datetime(found["due_on"]) <= pd.Timestamp(given.assessment.as_of))
    printed = found["state"].isin(WANTED) | due | found["kind"].isin(SOURCE_KINDS)
    rows = [_due(row) for row in found.to_dict("records")]
    return (
        Table(
            "Checks due", "Other checks", DUE, rows_of(DUE, [row for row, shown in zip(rows, printed, strict=True) if shown]),
            "None is on record and no interval is set." if found.empty else "All are in date.", names(DUE[:8]),
        ),
        Table("Other checks", "Every kind of other check", DUE, rows_of(DUE, rows)),
        _done(given, mine),
    )  # fmt: skip


def _due(row: dict[object, object]) -> dict[object, object]:
    return {**row, "state": STATE[str(row["state"])], "kind": str(row["kind"]).replace("_", " ")}


def _done(given: Gathered, mine: set[str]) -> Table:
    """What was done in the period, for the workbook."""
    table = cut(given.papers.records, given.assessment.as_of).inspections
    subject = table["probe"].astype(object).where(table["probe"].notna(), table["source"].astype(object))
    inside = (table["done_at"] >= pd.Timestamp(given.period.start)) & (table["done_at"] <= pd.Timestamp(given.period.end))
    kept = table.assign(subject=subject)[inside & subject.isin(mine)].sort_values("done_at", kind="stable")
    rows = [{**row, "kind": str(row["kind"]).replace("_", " ")} for row in kept.to_dict("records")]
    return Table("Other checks done", "Other checks done in the period", DONE, rows_of(DONE, rows))
