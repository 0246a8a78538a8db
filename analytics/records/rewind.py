"""The records as they were at an earlier revision, for "what is new since then"; nothing is changed by looking.

Nothing that was ever stored is deleted, so an earlier state is the present one with later loads passed over, later
undoings, exclusions and decisions not yet made. Which those are, the history says. Temporary views cover the tables
for one connection, and the ordinary reader then reads as it always does.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.errors import UserError
from analytics.records.reader import records_in
from analytics.records.snapshot import Records
from analytics.records.sql import first, quoted, scalar
from analytics.records.store import Store, revision_in
from analytics.records.store_settings import Layer, layer_in

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True)
class Past:
    """What the store held at a revision, the settings it had then, and when that revision came to be (UTC)."""

    records: Records
    settings_layer: Layer
    committed_at_utc: datetime | None  # None for revision 0, before anything was stored


def records_at(path: str | Path, revision: int) -> Past:
    """The records and the store's settings at a revision; UserError where the store has not had it."""
    with Store(path).reading() as con:
        newest = revision_in(con)
        if not 0 <= revision <= newest:
            raise UserError(
                f"there is no revision {revision}; the newest is {newest}",
                where=str(path),
                do="`assess --json` says the revision of each answer.",
            )
        committed = first(con, "SELECT changed_at_utc FROM change WHERE revision = ?", [revision])
        _cover(con, revision)
        return Past(records_in(con, revision), layer_in(con), committed[0] if committed else None)


def _cover(con: duckdb.DuckDBPyConnection, revision: int) -> None:
    """Lay views over the tables in which later revisions show."""
    loads: set[int] = set()
    undone: set[int] = set()
    hidden: set[int] = set()
    decisions: set[int] = set()
    settings = 0
    rows = con.execute(
        'SELECT action, "after" FROM change WHERE revision <= ? ORDER BY revision', [revision]
    ).fetchall()
    for action, text in rows:
        after = json.loads(text) if text else {}
        if action == "undo":
            undone.add(int(after["load"]))
        elif action == "exclude":
            hidden.update(map(int, after["reading_id"]))
        elif action == "include":
            hidden.difference_update(map(int, after["reading_id"]))
        elif action == "settings":
            settings += 1
        elif "decision_id" in after:
            decisions.add(int(after["decision_id"]))
        elif "load" in after:
            loads.add(int(after["load"]))
    now = quoted(str(scalar(con, "SELECT current_database()"))) + ".main."
    passed_over = f'"load" IN {_list(undone)} OR "load" NOT IN {_list(loads)}'
    con.execute(
        f'CREATE TEMP VIEW "load" AS SELECT * REPLACE (CASE WHEN {passed_over} THEN loaded_at END AS undone_at)'
        f' FROM {now}"load"'
    )
    con.execute(
        f"CREATE TEMP VIEW exclusion AS SELECT DISTINCT ON (reading_id) * REPLACE (NULL::TIMESTAMP AS lifted_at)"
        f" FROM {now}exclusion WHERE reading_id IN {_list(hidden)}"
    )
    con.execute(f"CREATE TEMP VIEW decision AS SELECT * FROM {now}decision WHERE decision_id IN {_list(decisions)}")
    con.execute(f"CREATE TEMP VIEW setting_version AS SELECT * FROM {now}setting_version WHERE version <= {settings}")


def _list(numbers: set[int]) -> str:
    """The numbers as SQL; a list that holds no number there is where it is empty."""
    return f"({', '.join(map(str, sorted(numbers)))})" if numbers else "(-1)"
