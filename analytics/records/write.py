"""The new rows of a merge into their table, and the names that register themselves with them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.records import visible
from analytics.records.sql import first, literal, quoted, scalar
from analytics.records.columns import EVENT_KINDS, TABLES, Table
from analytics.records.digest import digest
from analytics.records.merge import MET, Permits, new_rows

if TYPE_CHECKING:
    import duckdb


def insert_new(con: duckdb.DuckDBPyConnection, table: Table, permits: Permits, load: int, files: dict[int, str]) -> int:
    """Store the rows a merge found to be new; returns how many. files: file number -> name to keep with the row."""
    con.register("file_names", pa.table({"file_no": pa.array(list(files), pa.int32()), "file": list(files.values())}))
    columns = [*table.names, *(["rate_step_cps"] if table.kind == "readings" else [])]
    values = [stored_value(table, name) for name in columns]
    target = quoted(table.stored_in)
    rows = f"FROM ({new_rows()}) s JOIN file_names f USING (file_no)"
    origin = f's.extra, {load}, f.file, s."row"'
    listed = ", ".join(quoted(one) for one in columns) + ', extra, "load", file, "row"'
    if table.number is None:
        key = quoted(table.key[0])
        statement = (
            f"INSERT INTO {target} (version, implicit, {listed})"
            f" SELECT coalesce(v.newest, 0) + 1, false, {', '.join(values)}, {origin} {rows}"
            f" LEFT JOIN (SELECT {key} AS named, max(version) AS newest FROM {target} GROUP BY {key}) v ON v.named = s.{key} ORDER BY s.rid")
    else:
        number, last = quoted(table.number), _last(con, table)
        numbering = f"{last} + row_number() OVER (ORDER BY s.rid), 0"
        if permits.accept_changes:
            taken, rows = _taken(table), rows + f" LEFT JOIN taken t ON t.rid = s.rid"
            con.execute(f"CREATE OR REPLACE TEMP TABLE taken AS {taken}")
            numbering = f"coalesce(t.number, {last} + row_number() OVER (ORDER BY s.rid)), coalesce(t.newest + 1, 0)"
        statement = (f"INSERT INTO {target} ({number}, version, {listed}) SELECT {numbering}, {', '.join(values)}, {origin} {rows} ORDER BY s.rid")
    done = int(scalar(con, statement))
    con.unregister("file_names")
    return done


def stored_value(table: Table, name: str) -> str:
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
        f" WHERE i.rid IN (SELECT rid FROM {MET} WHERE NOT same) GROUP BY i.rid")


def register_names(con: duckdb.DuckDBPyConnection, load: int) -> list[str]:
    """Enter every name that the rows of this load brought with them; returns a sentence for each kind.

    Only names of stored rows are entered: a held row registers nothing.
    """
    said: list[str] = []
    probes = " UNION ".join(
        f"SELECT probe AS name FROM {quoted(one.stored_in)} WHERE \"load\" = {load} AND probe IS NOT NULL"
        for one in TABLES.values() if not one.registry and "probe" in one.names)
    said += _enter(
        con, "probe", f"SELECT name FROM ({probes}) WHERE name NOT IN ({visible.known_probes()})",
        f'INSERT INTO probe (probe, version, implicit, "load") SELECT name, {_next_version("probe", "probe")}, true, {load} FROM fresh')
    in_load = f'FROM reading WHERE "load" = {load}'
    said += _enter(
        con, "window", f'SELECT DISTINCT "window" AS name {in_load} AND "window" NOT IN (SELECT "window" FROM energy_window WHERE {visible.LIVE})',
        f'INSERT INTO energy_window ("window", version, implicit, "load")'
        f" SELECT name, {_next_version('energy_window', 'window')}, true, {load} FROM fresh")
    for column in ("jig", "readout"):
        said += _enter(
            con, column, f"SELECT DISTINCT {column} AS name {in_load} AND {column} IS NOT NULL"
            f" AND {column} NOT IN (SELECT {column} FROM {column} WHERE {visible.LIVE})",
            f"INSERT INTO {column} SELECT name, {load} FROM fresh")
    sites = " UNION ".join(
        f"SELECT site AS name FROM {one} WHERE \"load\" = {load} AND site IS NOT NULL" for one in ("probe", "check_source", "event"))
    _enter(con, "site", f"SELECT name FROM ({sites}) WHERE name NOT IN (SELECT site FROM site WHERE {visible.LIVE})",
           f"INSERT INTO site SELECT name, {load} FROM fresh")
    return said


def _next_version(table: str, column: str) -> str:
    return f"coalesce((SELECT max(version) FROM {table} t WHERE t.{quoted(column)} = name), 0) + 1"


def _enter(con: duckdb.DuckDBPyConnection, what: str, select: str, insert: str) -> list[str]:
    con.execute(f"CREATE OR REPLACE TEMP TABLE fresh AS SELECT name FROM ({select}) ORDER BY name")
    names = [name for (name,) in con.execute("SELECT name FROM fresh ORDER BY name").fetchall()]
    if not names:
        return []
    con.execute(insert)
    shown = ", ".join(names[:10]) + (f" and {len(names) - 10} more" if len(names) > 10 else "")
    return [f"registered {what}{'s' if len(names) > 1 else ''}: {shown}"]


def digests(con: duckdb.DuckDBPyConnection, load: int) -> dict[str, str]:
    """For every table that holds rows of a load, the digest of these rows."""
    found: dict[str, str] = {}
    for table in TABLES.values():
        order = quoted(table.number) + ", version" if table.number else quoted(table.key[0]) + ", version"
        name = quoted(table.stored_in)
        if first(con, f'SELECT 1 FROM {name} WHERE "load" = {load} LIMIT 1') is None:
            continue
        reader = con.sql(f'SELECT * FROM {name} WHERE "load" = {load} ORDER BY {order}').to_arrow_reader(65_536)
        found[table.stored_in] = digest(reader)
    return found
