"""Is what the store holds still what was put in? The chain of changes, the digests of loads, keys, and references."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.errors import UserError
from analytics.records import alert_log, history, visible
from analytics.records.check_people import Change, changes, differences, same
from analytics.records.columns import TABLES
from analytics.records.sql import quoted
from analytics.records.store import Store
from analytics.records.write import BESIDE, DIGESTED, beside, digests

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, and where."""

    where: str
    what: str


def check_store(path: str | Path) -> list[Problem]:
    """Everything that is wrong with the store; an empty list where it is sound.

    Raises:
        UserError: there is no store, or the file cannot be opened at all.
    """
    with Store(path, purpose="steadycount check-store").reading() as con:
        try:
            return check(con)
        except UserError:
            raise
        except Exception as error:  # noqa: BLE001 a damaged page of the file shows as any kind of error of the database
            return [Problem("file", f"it cannot be read through ({str(error).splitlines()[0]})")]


def check(con: duckdb.DuckDBPyConnection) -> list[Problem]:
    """The same of an open store."""
    return list(findings(con))


def findings(con: duckdb.DuckDBPyConnection) -> Iterator[Problem]:
    """The same one by one, what is quickly told first."""
    yield from (Problem("history", one) for one in history.broken_links(con))
    said = changes(con)
    yield from (Problem(where, what) for where, what in differences(con, said))
    yield from _held(con, said)
    yield from _loads(con, said)
    yield from _keys(con)
    yield from _references(con)
    yield from (Problem("alert log", one) for one in alert_log.problems(con))


def _loads(con: duckdb.DuckDBPyConnection, said: list[Change]) -> list[Problem]:
    """Every load is in the history, with the rows it had when it was made; what is undone was undone by a change."""
    entered = {one.after["load"]: one for one in said if "digests" in one.after}
    undone = {one.after["load"]: one for one in said if one.action == "undo"}
    found: list[Problem] = []
    rows = con.execute(
        'SELECT "load", loaded_at, "by", files, "rows", stored, already_there, held, undone_at, undone_by, undo_reason'
        ' FROM "load" ORDER BY "load"'
    ).fetchall()
    known = {row[0] for row in rows}
    here = {
        one: {load for (load,) in con.execute(f'SELECT DISTINCT "load" FROM {quoted(one)} ORDER BY 1').fetchall()}
        for one in (*DIGESTED, *BESIDE)
    }
    found += [
        Problem(f"load {one}", "it is in the history, but not in the store") for one in sorted(set(entered) - known)
    ]
    found += [Problem("table load", "a load is there twice")] * (len(rows) != len(known))
    for load, loaded_at, by, files, *counts, undone_at, undone_by, undo_reason in rows:
        one, end = entered.get(load), undone.get(load)
        if one is None:
            found.append(Problem(f"load {load}", "it is in the store, but not in the history"))
            continue
        if [one.after[name] for name in ("rows", "stored", "already_there", "held")] != counts:
            found.append(Problem(f"load {load}", "its counts differ from those in the history"))
        if not same(one, by, one.reason, loaded_at) or files != json.dumps(one.after["files"], ensure_ascii=False):
            found.append(Problem(f"load {load}", "who loaded what and when is not as the history has it"))
        if (undone_at is not None) != (end is not None):
            now = "in force" if undone_at is None else "undone"
            found.append(Problem(f"load {load}", f"it is {now}, the history says otherwise"))
        elif not (
            (undone_by, undo_reason) == (None, None) if end is None else same(end, undone_by, undo_reason, undone_at)
        ):
            found.append(Problem(f"load {load}", "who undid it, when and why is not as the history has it"))
        written = one.after["digests"]
        now_there = digests(con, load, {one for one in DIGESTED if load in here[one]})
        others = beside(con, load, [one for one in BESIDE if load in here[one]])
        now_there |= {name: text for name, text in others.items() if name in written}
        found += [
            Problem(f"load {load}, table {table}", "its rows are not those that were loaded")
            for table in sorted(set(now_there) | set(written))
            if now_there.get(table) != written.get(table)
        ]
    found += [
        Problem(f"table {one}", f"it has rows of load {load}, which there never was")
        for one in here
        for load in sorted(here[one] - known)
    ]
    return found


def _held(con: duckdb.DuckDBPyConnection, said: list[Change]) -> list[Problem]:
    """How held rows were settled: given up ones by a change that names them, released ones by a load that there is."""
    given_up = {number for one in said if one.action == "discard" for number in one.after.get("held_id", ())}
    rows = con.execute(
        'SELECT held_id, settled, settled_load, settled_load IN (SELECT "load" FROM "load" WHERE undone_at IS NULL),'
        ' "load" IN (SELECT "load" FROM "load" WHERE undone_at IS NOT NULL) FROM held_row ORDER BY held_id'
    ).fetchall()
    found: list[Problem] = []
    for number, settled, load, alive, gone in rows:
        fits = {
            "discarded": number in given_up and load is None,
            "released": bool(alive),
            "undone": gone and load is None,
            None: load is None and not gone and number not in given_up,
        }
        if not fits.get(settled, False):
            found.append(Problem(f"held row {number}", "how it was settled is not as the history has it"))
    return found


def _keys(con: duckdb.DuckDBPyConnection) -> list[Problem]:
    """No two rows in force are the same thing."""
    found: list[Problem] = []
    for table in TABLES.values():
        keys = ", ".join(map(quoted, table.key))
        twice = con.execute(
            f"SELECT {keys} FROM ({visible.current(table)}) GROUP BY {keys} HAVING count(*) > 1 ORDER BY {keys}"
            " LIMIT 20"
        ).fetchall()
        found += [
            Problem(f"table {table.stored_in}", f"twice there: {', '.join(str(one) for one in key)}") for key in twice
        ]
        if table.number is not None:
            number = quoted(table.number)
            twice = con.execute(
                f"SELECT {number} FROM {quoted(table.stored_in)} GROUP BY {number}, version HAVING count(*) > 1"
                " ORDER BY 1 LIMIT 20"
            ).fetchall()
            found += [Problem(f"table {table.stored_in}", f"number {one} is given twice") for (one,) in twice]
    return found


def _references(con: duckdb.DuckDBPyConnection) -> list[Problem]:
    """Every row in force speaks of a probe and a source that are registered."""
    found: list[Problem] = []
    for table in TABLES.values():
        if table.registry:
            continue
        for column, known in (("probe", visible.known_probes()), ("source", visible.known_sources())):
            if column not in table.names:
                continue
            lost = con.execute(
                f"SELECT DISTINCT {column} FROM ({visible.current(table)}) WHERE {column} IS NOT NULL AND {column}"
                f" NOT IN ({known})"
                f" ORDER BY {column} LIMIT 20"
            ).fetchall()
            found += [Problem(f"table {table.stored_in}", f"{column} `{one}` is not registered") for (one,) in lost]
    lost = con.execute(
        "SELECT DISTINCT reading_id FROM exclusion WHERE reading_id NOT IN (SELECT reading_id FROM reading) ORDER"
        " BY 1 LIMIT 20"
    ).fetchall()
    found += [Problem("table exclusion", f"there is no reading {one}") for (one,) in lost]
    lost = con.execute(
        "SELECT DISTINCT probe FROM decision WHERE probe IS NOT NULL AND probe NOT IN"
        " (SELECT probe FROM probe) ORDER BY 1 LIMIT 20"
    ).fetchall()
    return found + [Problem("table decision", f"probe `{one}` was never registered") for (one,) in lost]
