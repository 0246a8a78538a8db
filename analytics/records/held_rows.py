"""Held rows as one frame: why, in words, and their cells so that they can be mended and released."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING

import pandas as pd

from analytics.records import checks, reasons
from analytics.records.columns import Table
from analytics.records.merge import new_rows
from analytics.records.sql import first, scalar
from analytics.records.staging import Fault, StagedFile

if TYPE_CHECKING:
    import duckdb

# file_no orders; kind, cells and column_map are for releasing.
COLUMNS = ("file_no", "file", "kind", "row", "column", "value", "reason", "hint", "cells", "column_map")


def _frame(rows: list[tuple[object, ...]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(COLUMNS))


def from_faults(faults: Iterable[Fault], now: datetime) -> pd.DataFrame:
    """The rows that did not pass on their own: one row each, the first problem named, the others in the hint."""
    rows: list[tuple[object, ...]] = []
    for fault in faults:
        table, cmap = fault.file.layout.table, fault.file.layout.column_map
        column, code, value = fault.problems[0]
        words = reasons.hint(code, column, _extra(table, column, code, now))
        words += reasons.also([(other, why) for other, why, _ in fault.problems[1:]])
        rows.append(
            (
                fault.file.number,
                fault.file.file,
                table.kind,
                fault.row,
                column,
                value,
                code,
                words,
                json.dumps(fault.cells, ensure_ascii=False),
                cmap.to_toml() if cmap.reads_values_otherwise else None,
            )
        )
    return _frame(rows)


def _extra(table: Table, column: str, code: str, now: datetime) -> str:
    """What a hint needs to know beyond its column."""
    if not column:
        return ""
    one = table.column(column)
    if code == "in_future":
        return now.isoformat(sep=" ", timespec="minutes")
    if code == "out_of_range":
        return reasons.range_words(one.low, one.above, one.high, one.unit)
    if code == "not_one_of":
        return ", ".join(one.choices)
    if code == "too_long":
        return str(checks.LONGEST_TEXT if one.type == "text" else checks.LONGEST_ID)
    return ""


def from_merge(problems: pd.DataFrame, kind: str, files: dict[int, StagedFile]) -> pd.DataFrame:
    """The rows held against what the store has: one row each, from one row a problem."""
    if problems.empty:
        return _frame([])
    rows: list[tuple[object, ...]] = []
    for _, group in problems.groupby("rid", sort=True):
        found = list(zip(group["column"], group["value"], group["reason"], group["extra"], strict=True))
        column, value, code, extra = found[0]
        words = reasons.hint(code, column, extra) + reasons.also([(other, why) for other, _, why, _ in found[1:]])
        lead = group.iloc[0]
        rows.append(
            (
                int(lead["file_no"]),
                files[int(lead["file_no"])].file,
                kind,
                int(lead["row"]),
                column,
                value[: checks.LONGEST_ID],
                code,
                words,
                lead["cells"],
                None,
            )
        )
    return _frame(rows)


def keep(con: duckdb.DuckDBPyConnection, held: pd.DataFrame, load: int, names: Mapping[int, str]) -> int:
    """Put held rows into the store; a row that is held there already is not held twice. Returns how many were new."""
    if held.empty:
        return 0
    frame = held.assign(file=held["file_no"].map(dict(names)))
    con.register("holding", frame[["file", "kind", "row", "column", "value", "reason", "hint", "cells", "column_map"]])
    done = scalar(
        con,
        "INSERT INTO held_row SELECT (SELECT coalesce(max(held_id), 0) FROM held_row) + row_number() OVER (),"
        f" {load}, h.file, h.kind,"
        ' h."row", h."column", h.value, h.reason, h.hint, h.cells, h.column_map, NULL, NULL'
        " FROM holding h WHERE NOT EXISTS (SELECT 1 FROM held_row o WHERE o.settled IS NULL AND o.kind = h.kind AND"
        " o.cells = h.cells"
        " AND o.column_map IS NOT DISTINCT FROM h.column_map)",
    )
    con.unregister("holding")
    return int(done)


def settle(
    con: duckdb.DuckDBPyConnection, releasing: Mapping[tuple[int, int], int], held: pd.DataFrame, load: int
) -> int:
    """Close the held rows whose mended rows were not held again; returns how many."""
    again = set(zip(held["file_no"].tolist(), held["row"].tolist(), strict=True))
    done = [held_id for place, held_id in releasing.items() if place not in again]
    con.execute(
        "UPDATE held_row SET settled = 'released', settled_load = ? WHERE settled IS NULL AND held_id IN (SELECT"
        " unnest(?))",
        [load, done],
    )
    return len(done)


def settle_by_load(con: duckdb.DuckDBPyConnection, table: Table, cells: str, load: int) -> None:
    """Close held rows that this load has stored just as they stood (their probe was registered meanwhile, say)."""
    if first(con, "SELECT 1 FROM held_row WHERE settled IS NULL AND kind = ? LIMIT 1", [table.kind]) is None:
        return
    con.execute(
        f"UPDATE held_row SET settled = 'released', settled_load = {load} WHERE settled IS NULL AND kind ="
        f" '{table.kind}'"
        f" AND cells IN (SELECT {cells} FROM incoming i WHERE rid IN (SELECT rid FROM ({new_rows()})))"
    )


def empty() -> pd.DataFrame:
    """No held rows."""
    return _frame([])
