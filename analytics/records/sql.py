"""The few things said to DuckDB again and again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb


QUIET = "SET enable_progress_bar = false"  # its progress bar would go to standard output


def quoted(name: str) -> str:
    """A name as an SQL identifier.

    >>> quoted("window")
    '"window"'
    """
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """A text as an SQL literal.

    >>> literal("O'Hara")
    "'O''Hara'"
    """
    return "'" + text.replace("'", "''") + "'"


def first(con: duckdb.DuckDBPyConnection, statement: str, values: Sequence[object] = ()) -> tuple[Any, ...] | None:
    """The first row of a short answer, or None; all of it is fetched, so that the connection is free again."""
    rows = con.execute(statement, list(values)).fetchall()
    return rows[0] if rows else None


def only(con: duckdb.DuckDBPyConnection, statement: str, values: Sequence[object] = ()) -> tuple[Any, ...]:
    """The only row of a one-row answer."""
    (row,) = con.execute(statement, list(values)).fetchall()
    return tuple(row)


def scalar(con: duckdb.DuckDBPyConnection, statement: str, values: Sequence[object] = ()) -> Any:
    """The one value of a one-row answer."""
    return only(con, statement, values)[0]
