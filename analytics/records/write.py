"""The new rows of a merge into their table, and the names that register themselves with them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.records import visible
from analytics.records.columns import EVENT_KINDS, TABLES, Table
from analytics.records.digest import EMPTY, digest
from analytics.records.merge import MET, Permits, all_new, new_rows
from analytics.records.sql import literal, quoted, scalar

if TYPE_CHECKING:
    import duckdb


def insert_new(
    con: duckdb.DuckDBPyConnection, table: Table, permits: Permits, load: int, files: Mapping[int, str]
) -> int:
    """Store the rows a merge found to be new; returns how many. files: file number -> name to keep with the row."""
    named = (
        "CASE s.file_no " + " ".join(f"WHEN {number} THEN {literal(name)}" for number, name in files.items()) + " END"
    )
    clean = all_new(con)  # the common case needs neither a search for refused rows nor sorting: they are in order
    columns = [*table.names, *(["rate_step_cps"] if table.kind == "readings" else [])]
    values = [stored_value(name) for name in columns]
    target = quoted(table.stored_in)
    rows = "FROM incoming s" if clean else f"FROM ({new_rows()}) s"
    order = "" if clean else " ORDER BY s.rid"
    origin = f's.extra, {load}, {named}, s."row"'
    listed = ", ".join(quoted(one) for one in columns) + ', extra, "load", file, "row"'
    if table.number is None:
        key = quoted(table.key[0])
        statement = (
            f"INSERT INTO {target} (version, implicit, {listed})"
            f" SELECT coalesce(v.newest, 0) + 1, false, {', '.join(values)}, {origin} {rows}"
            f" LEFT JOIN (SELECT {key} AS named, max(version) AS newest FROM {target} GROUP BY {key}) v ON v.named"
            f" = s.{key} ORDER BY s.rid"
        )
    else:
        number, last = quoted(table.number), _last(con, table)
        place = f"{last} + s.place" if clean else f"{last} + row_number() OVER ({order})"
        numbering = f"{place}, 0"
        if permits.accept_changes:
            taken, rows = _taken(table), rows + " LEFT JOIN taken t ON t.rid = s.rid"
            con.execute(f"CREATE OR REPLACE TEMP TABLE taken AS {taken}")
            numbering = f"coalesce(t.number, {last} + row_number() OVER (ORDER BY s.rid)), coalesce(t.newest + 1, 0)"
            order = " ORDER BY s.rid"
        statement = (
            f"INSERT INTO {target} ({number}, version, {listed}) SELECT {numbering}, {', '.join(values)},"
            f" {origin} {rows}{order}"
        )
    return int(scalar(con, statement))


def stored_value(name: str) -> str:
    """A column of the incoming row ``s`` as it is stored: blanks that mean something are filled in."""
    if name == "reseated":
        return "coalesce(s.reseated, false)"
    if name == "new_reference":
        begins = ", ".join(literal(kind) for kind, yes in EVENT_KINDS.items() if yes)
        return f"coalesce(s.new_reference, s.kind IN ({begins}))"
    return f"s.{quoted(name)}"


def _last(con: duckdb.DuckDBPyConnection, table: Table) -> int:
    return int(scalar(con, f"SELECT coalesce(max({quoted(table.number or '')}), 0) FROM {quoted(table.stored_in)}"))


def _taken(table: Table) -> str:
    """SELECT of rid, number and newest version (of all, undone ones too) for rows that replace another value."""
    alike = " AND ".join(f"v.{quoted(one)} IS NOT DISTINCT FROM i.{quoted(one)}" for one in table.key)
    number, stored = quoted(table.number or ""), quoted(table.stored_in)
    return (
        f"SELECT i.rid, max(v.{number}) AS number,"
        f" (SELECT max(version) FROM {stored} a WHERE a.{number} = max(v.{number})) AS newest"
        f" FROM incoming i JOIN ({visible.all_versions(table)}) v ON {alike}"
        f" WHERE i.rid IN (SELECT rid FROM {MET} WHERE NOT same) GROUP BY i.rid"
    )


def register_names(con: duckdb.DuckDBPyConnection, table: Table, fresh: dict[str, set[str]], load: int) -> list[str]:
    """Enter the names that stored rows of this load brought with them; a sentence for each kind.

    fresh: column -> names that were not known before the load.
    """
    said: list[str] = []
    for column, names in fresh.items():
        name = quoted(column)
        found = (
            [
                one
                for (one,) in con.execute(
                    f'SELECT DISTINCT {name} FROM {quoted(table.stored_in)} WHERE "load" = {load} AND {name} IN'
                    f" (SELECT unnest(?)) ORDER BY {name}",
                    [sorted(names)],
                ).fetchall()
            ]
            if names
            else []
        )
        if not found:
            continue
        con.register("fresh", pa.table({"name": found}))
        if column in ("probe", "window"):
            target = {"probe": "probe", "window": "energy_window"}[column]
            version = f"coalesce((SELECT max(version) FROM {target} t WHERE t.{name} = name), 0) + 1"
            con.execute(
                f'INSERT INTO {target} ({name}, version, implicit, "load") SELECT name, {version}, true, {load}'
                " FROM fresh ORDER BY name"
            )
        elif column != "collimator":
            con.execute(f"INSERT INTO {column} SELECT name, {load} FROM fresh ORDER BY name")
        con.unregister("fresh")
        shown = ", ".join(found[:10]) + (f" and {len(found) - 10} more" if len(found) > 10 else "")
        said.append(f"registered {column}{'s' if len(found) > 1 else ''}: {shown}")
    if "site" in table.names:
        con.execute(
            f'INSERT INTO site SELECT DISTINCT site, {load} FROM {table.stored_in} WHERE "load" = {load} AND site'
            " IS NOT NULL"
            f" AND site NOT IN (SELECT site FROM site WHERE {visible.LIVE}) ORDER BY site"
        )
    return said


DIGESTED = ("probe", "check_source", "energy_window", "event", "reading", "inspection", "use", "outcome")


def digests(con: duckdb.DuckDBPyConnection, load: int, tables: Iterable[str] = DIGESTED) -> dict[str, str]:
    """For every one of these tables that holds rows of a load, the digest of these rows."""
    found: dict[str, str] = {}
    for table in TABLES.values():
        if table.stored_in not in tables:
            continue
        order = quoted(table.number or table.key[0]) + ", version"
        reader = con.sql(
            f'SELECT * FROM {quoted(table.stored_in)} WHERE "load" = {load} ORDER BY {order}'
        ).to_arrow_reader(65_536)
        text = digest(reader)
        if text != EMPTY:
            found[table.stored_in] = text
    return found


# Tables beside the records that a load writes as well: their columns that never change, and their order.
BESIDE = {
    "site": ("*", "site"),
    "jig": ("*", "jig"),
    "readout": ("*", "readout"),
    "held_row": ("* EXCLUDE (settled, settled_load)", "held_id"),
}


def beside(con: duckdb.DuckDBPyConnection, load: int, tables: Iterable[str] = tuple(BESIDE)) -> dict[str, str]:
    """The digest of the rows of a load in each of these tables, also where there is none.

    tables: those that are known to hold rows of it; the others are not looked into.
    """
    found = dict.fromkeys(BESIDE, EMPTY)
    for table in tables:
        columns, order = BESIDE[table]
        rows = con.sql(f'SELECT {columns} FROM {table} WHERE "load" = {load} ORDER BY {order}')
        found[table] = digest(rows.to_arrow_reader(65_536))
    return found
