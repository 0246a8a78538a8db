"""Taking a load back. Its rows stay in the store and are passed over, so the same file then loads anew."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from analytics.errors import UserError
from analytics.records import history, visible
from analytics.records.columns import TABLES
from analytics.records.sql import first, quoted, scalar
from analytics.records.store import Store
from analytics.records.store_settings import site_now, zone_in

if TYPE_CHECKING:
    import duckdb


def loads(path: str | Path) -> pd.DataFrame:
    """Every load, newest first.

    Columns: load, loaded_at, by, files (JSON list), rows, stored, already_there, held, undone_at, undone_by,
    undo_reason.
    """
    with Store(path).reading() as con:
        return con.execute('SELECT * FROM "load" ORDER BY "load" DESC').df()


def undo(path: str | Path, load: int, *, by: str, reason: str = "") -> int:
    """Take a load back; returns how many rows that hid.

    Raises:
        UserError: there is no such load, it was undone before, or later loads refer to what it registered.
    """
    with Store(path, purpose="steadycount undo").writing() as con:
        row = first(con, 'SELECT stored, undone_at, files FROM "load" WHERE "load" = ?', [load])
        if row is None:
            raise UserError(f"there is no load {load}", where=str(path), do="The history lists all loads.")
        if row[1] is not None:
            raise UserError(
                f"load {load} was undone before", where=str(path), do="Load the file again to bring its rows back."
            )
        _refuse_needed(con, load, str(path))
        moment = site_now(zone_in(con))
        con.execute(
            'UPDATE "load" SET undone_at = ?, undone_by = ?, undo_reason = ? WHERE "load" = ?',
            [moment, by, reason, load],
        )
        con.execute("UPDATE held_row SET settled = 'undone' WHERE \"load\" = ? AND settled IS NULL", [load])
        con.execute(
            'UPDATE held_row SET settled = CASE WHEN "load" IN (SELECT "load" FROM "load" WHERE undone_at IS NOT'
            " NULL) THEN 'undone' END, settled_load = NULL WHERE settled_load = ? AND settled = 'released'",
            [load],
        )
        history.record(
            con,
            by=by,
            action="undo",
            subject=f"load {load}",
            reason=reason,
            before={"stored": row[0]},
            after={"load": load, "at": moment},
        )
        return int(row[0])


def _refuse_needed(con: duckdb.DuckDBPyConnection, load: int, where: str) -> None:
    """UserError where rows of other loads would lose the probe or source they speak of."""
    problems: list[str] = []
    others = f'{visible.LIVE} AND "load" <> {load}'
    for registry, key in (("probe", "probe"), ("check_source", "source")):
        lost = f'SELECT {key} FROM {registry} WHERE "load" = {load} EXCEPT SELECT {key} FROM {registry} WHERE {others}'
        for table in TABLES.values():
            if table.registry or key not in table.names:
                continue
            rows = con.execute(
                f'SELECT {key}, list_sort(list(DISTINCT "load")) FROM {quoted(table.stored_in)}'
                f" WHERE {others} AND {key} IN ({lost}) GROUP BY {key} ORDER BY {key}"
            ).fetchall()
            if rows:
                needed = sorted({number for _, numbers in rows for number in numbers})
                named = ", ".join(name for name, _ in rows[:5]) + (" …" if len(rows) > 5 else "")
                problems.append(f"{table.kind} of load {', '.join(map(str, needed))} are about {named}")
    if problems:
        raise UserError(
            f"load {load} cannot be undone: it registered what others need ({'; '.join(problems)})",
            where=where,
            do="Undo those loads first.",
        )


def stored_rows(path: str | Path) -> int:
    """How many readings count now, excluded ones too."""
    with Store(path).reading() as con:
        return int(scalar(con, f"SELECT count(*) FROM ({visible.current(TABLES['readings'])})"))
