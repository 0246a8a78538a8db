"""What the page of other checks reads and writes."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pandas as pd

from analytics.advice.compliance import compliance
from analytics.advice.other_checks import other_checks
from analytics.errors import UserError
from analytics.records.report import LoadReport
from dashboard.parts.by_each import ByEach
from dashboard.seam import keep, place, read
from dashboard.seam.signature import named, reason_in_words

RESULTS = ("pass", "fail", "")
_by_tables: ByEach[dict[tuple[str, datetime], pd.DataFrame]] = ByEach(lambda *_: {})


def due(look: read.Look) -> pd.DataFrame:
    """Every kind of other check with its state; no reading takes part, so it stands until one of these tables is another."""
    of = look.records
    known = _by_tables([(of.inspections, of.events, of.probes, of.sources, of.decisions)])[0]
    asked = look.settings.fingerprint, look.as_of
    if asked not in known:
        known[asked] = other_checks(of, look.settings, look.as_of)
    return known[asked]


def kept_by_month(look: read.Look, months: int) -> pd.DataFrame:
    """Share in date by site, kind and month."""
    return keep.kept(look, lambda: compliance(look.records, look.settings, look.as_of, months), "compliance", months)


def on_record(look: read.Look) -> pd.DataFrame:
    """What was entered or loaded, newest first."""
    table = look.records.inspections
    table = table[table["done_at"] <= pd.Timestamp(look.as_of)]
    return table.sort_values(["done_at", "inspection_id"], ascending=False, kind="stable").drop(columns="inspection_id")


def enter(
    subject_kind: str, subject: str, *, done_at: datetime, kind: str, by: str, **rest: object
) -> LoadReport:
    """Store one inspection; it is a load of its own and can be undone like one.

    Raises:
        UserError: no name, or a value that would be held; then nothing is written.
    """
    from analytics.records.typed_in import add_rows

    by = named(by)
    row: dict[str, Any] = {subject_kind: subject, "done_at": done_at, "kind": kind, "person": by, **rest}
    row = {name: value for name, value in row.items() if value not in (None, "")}
    report = add_rows(place.store_path(), "inspections", [row], by=by)
    if report.held:
        first = report.held[0]
        raise UserError(
            f"{reason_in_words(first.reason)} ({first.column}: {first.value})", where="the inspection", do=first.hint
        )
    return report


def undo(load_id: int, *, by: str) -> None:
    """Take the entry back."""
    from analytics.records import undo as undoing

    undoing.undo(place.store_path(), load_id, by=named(by), reason="entered by mistake")
