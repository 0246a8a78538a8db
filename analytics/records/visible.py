"""Which rows count: those whose load was not undone, and of several versions of one row the newest."""

from __future__ import annotations

from analytics.records.columns import Table
from analytics.records.sql import quoted

LIVE = '"load" NOT IN (SELECT "load" FROM "load" WHERE undone_at IS NOT NULL)'


def all_versions(table: Table) -> str:
    """SELECT of every version of every row whose load still stands (explicit entries only, in registries)."""
    implicit = " AND NOT implicit" if table.registry else ""
    return f"SELECT * FROM {quoted(table.stored_in)} WHERE {LIVE}{implicit}"


def current(table: Table) -> str:
    """SELECT of the newest version of every row whose load still stands.

    Of a registry an explicit entry goes before one that registered itself, whatever its version.
    """
    name = quoted(table.stored_in)
    if table.number is None:
        return (
            f"SELECT * FROM {name} WHERE {LIVE} QUALIFY row_number() OVER"
            f" (PARTITION BY {quoted(table.key[0])} ORDER BY implicit, version DESC) = 1"
        )
    number = quoted(table.number)
    return (
        f"SELECT r.* FROM {name} r LEFT JOIN (SELECT {number}, max(version) AS newest FROM {name} WHERE version > 0"
        f" AND {LIVE}"
        f" GROUP BY {number}) n ON n.{number} = r.{number}"
        f" WHERE r.{LIVE} AND (n.newest IS NULL OR r.version = n.newest)"
    )


def known_probes() -> str:
    """SELECT of the ids of all registered probes."""
    return f"SELECT DISTINCT probe AS name FROM probe WHERE {LIVE}"


def known_sources() -> str:
    """SELECT of the ids of all registered check sources."""
    return f"SELECT DISTINCT source AS name FROM check_source WHERE {LIVE}"


_REGISTERED = {"window": "energy_window", "jig": "jig", "readout": "readout"}


def registered_names(column: str) -> str:
    """SELECT of the names of such a column that are registered; none of a column that has no register."""
    table = _REGISTERED.get(column)
    return f"SELECT DISTINCT {quoted(column)} AS name FROM {table} WHERE {LIVE}" if table else "SELECT NULL AS name WHERE false"


def known_names(column: str) -> str:
    """SELECT of the names in use in a column of the readings (window, jig, collimator, readout), registered or not."""
    registered = _REGISTERED.get(column)
    quoted_column = quoted(column)
    used = f"SELECT {quoted_column} AS name FROM reading WHERE {quoted_column} IS NOT NULL AND {LIVE}"
    if registered is None:
        return f"SELECT DISTINCT name FROM ({used})"
    return f"SELECT DISTINCT name FROM (SELECT {quoted_column} AS name FROM {registered} WHERE {LIVE} UNION ALL {used})"
