"""A wrong entry put right: a new version of the reading, checked like any row; the old value stays in the history."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.errors import UserError
from analytics.records import visible
from analytics.records.columns import TABLES
from analytics.records.load import enter_load, next_load
from analytics.records.merge import HELD, Merge, Permits
from analytics.records.report import HELD_COLUMNS, FileCount, LoadReport
from analytics.records.sql import first, quoted, scalar
from analytics.records.staging import Staging
from analytics.records.store import Store
from analytics.records.typed_in import staged_rows
from analytics.records.write import register_names, stored_value

if TYPE_CHECKING:
    import duckdb

_READINGS = TABLES["readings"]


def correct(
    path: str | Path,
    reading_id: int,
    column: str,
    value: object,
    *,
    by: str,
    reason: str,
    accept_names: bool = False,
    now: datetime | None = None,
) -> None:
    """Change one column of a reading; None blanks it. The reading keeps its number, and an exclusion stays in force.

    Raises:
        UserError: no reason, no such reading or column, nothing changes, a value that would be held in a file, or
            another reading is that one already.
    """
    if not reason.strip():
        raise UserError("a reason is needed", where="--reason", do="Say why, in a few words.")
    if column not in _READINGS.names:
        raise UserError(f"readings have no column `{column}`", do=f"Use one of: {', '.join(_READINGS.names)}.")
    row = _as_it_is(path, reading_id)
    before, subject = row[column], f"reading {reading_id}"
    changed = row | {column: value}
    if column == "counts" and value is not None:
        changed["rate_cps"] = None  # counts are known now
    if column == "rate_cps" and value is not None:
        changed["counts"] = None
    with staged_rows(path, "readings", [changed], now=now, name=subject) as staging:
        for fault in staging.faults():
            where, code, text = fault.problems[0]
            from analytics.records import held_rows

            words = held_rows.from_faults([fault], staging.now)["hint"].iloc[0]
            raise UserError(f"`{where}` {text!r} cannot be stored ({code})", where=subject, do=words)
        with Store(path, purpose="steadycount correct").writing() as con:
            fresh = _compare(con, staging, reading_id, accept_names)
            load = next_load(con)
            version = int(scalar(con, "SELECT max(version) + 1 FROM reading WHERE reading_id = ?", [reading_id]))
            columns = [*_READINGS.names, "rate_step_cps"]
            values = ", ".join(stored_value(name) for name in columns)
            con.execute(
                f'INSERT INTO reading (reading_id, version, {", ".join(map(quoted, columns))}, extra, "load", file,'
                ' "row")'
                f' SELECT {reading_id}, {version}, {values}, o.extra, {load}, o.file, o."row" FROM incoming s,'
                f' (SELECT extra, file, "row" FROM reading WHERE reading_id = {reading_id} AND version = 0) o'
            )
            after = scalar(
                con, f"SELECT {quoted(column)} FROM reading WHERE reading_id = ? AND version = ?", [reading_id, version]
            )
            if after == before:
                raise UserError(f"`{column}` is {before!r} already", where=subject, do="Nothing needs to be corrected.")
            nothing = pd.DataFrame(columns=list(HELD_COLUMNS))
            report = LoadReport(
                load,
                (FileCount(subject, "readings", 1, 1, 0, 0),),
                nothing,
                tuple(register_names(con, _READINGS, fresh, load)),
            )
            enter_load(
                con,
                report,
                by=by,
                names=[f"correction of {subject}"],
                action="correct",
                reason=reason,
                subject=subject,
                before={column: before},
                also={column: after},
            )


def _as_it_is(path: str | Path, reading_id: int) -> dict[str, Any]:
    """The columns of a reading as they count now; a displayed rate as the text that keeps its last digit."""
    with Store(path).reading() as con:
        found = first(
            con,
            f"SELECT {', '.join(map(quoted, _READINGS.names))}, rate_step_cps FROM ({visible.current(_READINGS)})"
            " WHERE reading_id = ?",
            [reading_id],
        )
    if found is None:
        raise UserError(
            f"there is no reading {reading_id}",
            where=str(path),
            do="The probe's page shows the numbers of its readings.",
        )
    row = dict(zip(_READINGS.names, found, strict=False))
    if row["rate_cps"] is not None:
        digits = next(places for places in range(16) if 10.0**-places <= found[-1] * 1.001)
        row["rate_cps"] = f"{row['rate_cps']:.{digits}f}"
    return row


def _compare(
    con: duckdb.DuckDBPyConnection, staging: Staging, reading_id: int, accept_names: bool
) -> dict[str, set[str]]:
    """Check the corrected row against the store; returns the names it brings. UserError where it would be held."""
    merge = Merge(con, _READINGS, Permits(accept_names=accept_names, accept_changes=True))
    merge.run(staging.require(_READINGS))
    held = first(con, f'SELECT "column", value, reason, extra FROM {HELD} LIMIT 1')
    if held is not None:
        from analytics.records.reasons import hint

        raise UserError(
            f"`{held[0]}` {held[1]!r} cannot be stored ({held[2]})",
            where=f"reading {reading_id}",
            do=hint(held[2], held[0], held[3]),
        )
    alike = " AND ".join(f"r.{quoted(one)} = i.{quoted(one)}" for one in _READINGS.key)
    other = first(
        con,
        f"SELECT r.reading_id FROM ({visible.current(_READINGS)}) r JOIN incoming i ON {alike} WHERE r.reading_id"
        " <> ? LIMIT 1",
        [reading_id],
    )
    if other is not None:
        raise UserError(
            f"reading {other[0]} is that counting already",
            where=f"reading {reading_id}",
            do="Exclude one of the two instead.",
        )
    return merge.fresh
