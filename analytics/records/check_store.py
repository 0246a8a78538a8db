"""Is what the store holds still what was put in? The chain of changes, the digests of loads, keys, and references."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analytics.errors import UserError
from analytics.records import history, visible
from analytics.records.columns import TABLES
from analytics.records.sql import quoted
from analytics.records.store import Store
from analytics.records.write import DIGESTED, digests

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
    found = [Problem("history", one) for one in history.broken_links(con)]
    changes = [
        (number, action, json.loads(after) if after else {})
        for number, action, after in con.execute(
            'SELECT revision, action, "after" FROM change ORDER BY revision'
        ).fetchall()
    ]
    found += _loads(con, changes)
    found += _people(con, changes)
    found += _keys(con)
    found += _references(con)
    return found


def _loads(con: duckdb.DuckDBPyConnection, changes: list[tuple[int, str, dict[str, Any]]]) -> list[Problem]:
    """Every load is in the history, with the rows it had when it was made; what is undone was undone by a change."""
    entered = {after["load"]: after for _, _, after in changes if "digests" in after}
    undone = {after["load"] for _, action, after in changes if action == "undo"}
    found: list[Problem] = []
    rows = con.execute(
        'SELECT "load", "rows", stored, already_there, held, undone_at IS NOT NULL FROM "load" ORDER BY "load"'
    ).fetchall()
    known = {row[0] for row in rows}
    here = {
        one: {load for (load,) in con.execute(f'SELECT DISTINCT "load" FROM {quoted(one)} ORDER BY 1').fetchall()}
        for one in DIGESTED
    }
    found += [
        Problem(f"load {one}", "it is in the history, but not in the store") for one in sorted(set(entered) - known)
    ]
    for load, count, stored, there, held, is_undone in rows:
        after = entered.get(load)
        if after is None:
            found.append(Problem(f"load {load}", "it is in the store, but not in the history"))
            continue
        if [after[name] for name in ("rows", "stored", "already_there", "held")] != [count, stored, there, held]:
            found.append(Problem(f"load {load}", "its counts differ from those in the history"))
        if is_undone != (load in undone):
            found.append(
                Problem(
                    f"load {load}", "it is " + ("undone" if is_undone else "in force") + ", the history says otherwise"
                )
            )
        now = digests(con, load, {one for one in here if load in here[one]} | set(after["digests"]))
        found += [
            Problem(f"load {load}, table {table}", "its rows are not those that were loaded")
            for table in sorted(set(now) | set(after["digests"]))
            if now.get(table) != after["digests"].get(table)
        ]
    found += [
        Problem(f"table {one}", f"it has rows of load {load}, which there never was")
        for one in DIGESTED
        for load in sorted(here[one] - known)
    ]
    return found


def _people(con: duckdb.DuckDBPyConnection, changes: list[tuple[int, str, dict[str, Any]]]) -> list[Problem]:
    """Exclusions, decisions and settings in force are those of the history."""
    excluded: set[int] = set()
    for _, action, after in changes:
        if action == "exclude":
            excluded |= set(after["reading_id"])
        elif action == "include":
            excluded -= set(after["reading_id"])
    now = {one for (one,) in con.execute("SELECT reading_id FROM exclusion WHERE lifted_at IS NULL").fetchall()}
    found = [Problem(f"reading {one}", "it is excluded, the history says otherwise") for one in sorted(now - excluded)]
    found += [
        Problem(f"reading {one}", "it is not excluded, the history says otherwise") for one in sorted(excluded - now)
    ]
    decided = {
        after["decision_id"]: (action, after["value"], after["episode"])
        for _, action, after in changes
        if "decision_id" in after
    }
    stands = {
        number: rest
        for number, *rest in con.execute("SELECT decision_id, kind, value, episode FROM decision").fetchall()
    }
    found += [
        Problem(f"decision {one}", "it is not as the history has it")
        for one in sorted(set(decided) | set(stands))
        if list(decided.get(one, ())) != stands.get(one)
    ]
    layers = [after for _, action, after in changes if action == "settings"]
    kept = [json.loads(one) for (one,) in con.execute("SELECT layer FROM setting_version ORDER BY version").fetchall()]
    if layers != kept:
        found.append(Problem("settings", "the versions are not those of the history"))
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
    return found + [Problem("table exclusion", f"there is no reading {one}") for (one,) in lost]
