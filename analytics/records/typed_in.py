"""Rows that a person types in: the same checks as a file, but all of them are stored or none."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa

from analytics.errors import UserError
from analytics.records.column_map import ColumnMap
from analytics.records.headings import lay_out
from analytics.records.intake.excel import cell_text
from analytics.records.intake.raw import RawTable, block_of_rows
from analytics.records.load import Plan, commit, zone_of
from analytics.records.merge import Permits
from analytics.records.report import LoadReport
from analytics.records.staging import Staging
from analytics.records.store_settings import site_now

TYPED_IN = "typed in"
FEW = 1_000  # rows
Rows = Sequence[Mapping[str, Any]] | pd.DataFrame


def record_check(
    path: str | Path,
    rows: Rows,
    *,
    by: str,
    now: datetime | None = None,
    dry_run: bool = False,
    draft_id: int | None = None,
    time_zone: str | None = None,
) -> LoadReport:
    """Countings typed in at the bench, with the columns of ``readings``; each call is a load of its own.

    Where a row would be held, none is stored: the report then has no load and says what is wrong.
    time_zone: the site's, where the caller knows it; else the store is asked.
    draft_id: the draft that becomes this check; it goes in the same transaction, and the history keeps what it held.
    """
    return add_rows(path, "readings", rows, by=by, now=now, dry_run=dry_run, draft_id=draft_id, time_zone=time_zone)


def add_rows(
    path: str | Path,
    kind: str,
    rows: Rows,
    *,
    by: str,
    now: datetime | None = None,
    dry_run: bool = False,
    register_new: bool = False,
    draft_id: int | None = None,
    time_zone: str | None = None,
) -> LoadReport:
    """Rows of any loadable table (events, inspections, probes, …) typed in; otherwise as ``record_check``.

    Raises:
        UserError: no rows, or a column is missing or not known.
    """
    with staged_rows(path, kind, rows, now=now, time_zone=time_zone) as staging:
        permits = Permits(register_new=register_new)
        plan = Plan(by, permits, "typed in", dry_run=dry_run, all_or_none=True, draft_id=draft_id)
        return commit(path, staging, plan)


@contextmanager
def staged_rows(
    path: str | Path, kind: str, rows: Rows, *, now: datetime | None = None, name: str = TYPED_IN, time_zone: str | None = None
) -> Iterator[Staging]:
    """Rows given as values, checked and staged; the first is row 1."""
    found = rows.to_dict("records") if isinstance(rows, pd.DataFrame) else rows
    records = [{str(name): value for name, value in one.items()} for one in found]
    if not records:
        raise UserError("there are no rows", where=name, do="Fill in at least one.")
    headings = list(dict.fromkeys(key for one in records for key in one))
    raw = table_of_texts(name, headings, [[_text(one.get(key)) for key in headings] for one in records])
    layout = lay_out(name, headings, kind, ColumnMap())
    if layout.others:
        raise UserError(
            f"no such column: {', '.join(layout.others)}",
            where=name,
            do=f"Columns are: {', '.join(layout.table.names)}.",
        )
    zone = time_zone or zone_of(path)
    with Staging(zone, now or site_now(zone), few=len(records) < FEW) as staging:
        staging.add(raw, layout, lambda _: None)
        yield staging


def _text(value: object) -> str | None:
    if isinstance(value, float) and math.isnan(value):
        return None  # how a frame of a page says blank
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    return cell_text(value)


def table_of_texts(
    name: str, headings: Sequence[str], rows: Sequence[Sequence[str | None]], places: Sequence[int] | None = None
) -> RawTable:
    """A raw table from cells at hand; ``places``: their row numbers, rising, else from 1 on."""

    def blocks(progress: Callable[[float], None]) -> Iterator[pa.Table]:
        progress(1.0)
        yield block_of_rows(places or range(1, len(rows) + 1), rows, len(headings))

    return RawTable(name, tuple(headings), blocks, exact_text=True, clean=False)
