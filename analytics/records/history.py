"""The history: one row a change, each with the hash of the row before it, so that a later edit shows.

Whoever holds the file could rebuild the whole chain; a witness outside is needed to see that. So the head of the chain
is printed on every report and backup.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.errors import UserError
from analytics.records.access import permit
from analytics.records.sql import first, scalar
from analytics.records.store import Store, revision_in

if TYPE_CHECKING:
    import duckdb

FIRST_HASH = "0" * 64
_FIELDS = ("revision", "changed_at_utc", "by", "action", "subject", "reason", "before", "after", "previous_hash")


def record(
    con: duckdb.DuckDBPyConnection,
    *,
    by: str,
    action: str,
    subject: str,
    reason: str = "",
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> int:
    """Write one change inside the caller's transaction and raise the revision by one; returns the new revision.

    Every change passes here, and here the role of the person is looked at.

    Raises:
        UserError: nobody is named.
        RefusedError: the person's role does not allow it; the whole transaction is then taken back.
    """
    if not by.strip():
        raise UserError("a change needs a name", where="--by", do="Say who makes it.")
    by = permit(con, by, action)
    number = revision_in(con) + 1
    row = {
        "revision": number,
        "changed_at_utc": datetime.now(UTC).replace(tzinfo=None),
        "by": by,
        "action": action,
        "subject": subject,
        "reason": reason,
        "before": _json(before),
        "after": _json(after),
        "previous_hash": head_in(con),
    }
    con.execute("INSERT INTO change VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", [*row.values(), hash_of(row)])
    con.execute("UPDATE store SET revision = ?", [number])
    return number


def _json(content: Mapping[str, Any] | None) -> str | None:
    return (
        None
        if content is None
        else json.dumps(content, sort_keys=True, default=str, ensure_ascii=False, allow_nan=False)
    )


def hash_of(row: Mapping[str, Any]) -> str:
    """sha256 over the fields of a change, in a fixed order and writing."""
    moment = row["changed_at_utc"]
    values = [moment.isoformat(timespec="microseconds") if name == "changed_at_utc" else row[name] for name in _FIELDS]
    return hashlib.sha256(json.dumps(values, ensure_ascii=False).encode()).hexdigest()


def broken_links(con: duckdb.DuckDBPyConnection) -> list[str]:
    """What is wrong with the chain, in sentences; none where it holds."""
    found: list[str] = []
    previous, expected = FIRST_HASH, 1
    names = ", ".join(f'"{name}"' for name in (*_FIELDS, "hash"))
    for values in con.execute(f"SELECT {names} FROM change ORDER BY revision").fetchall():
        row = dict(zip((*_FIELDS, "hash"), values, strict=True))
        if row["revision"] != expected:
            found.append(f"change {expected} is missing")
        if row["previous_hash"] != previous:
            found.append(f"change {row['revision']} does not follow from the one before it")
        if hash_of(row) != row["hash"]:
            found.append(f"change {row['revision']} was altered after it was written")
        previous, expected = row["hash"], row["revision"] + 1
    if revision_in(con) != expected - 1:
        found.append(f"the store says revision {revision_in(con)}, the history ends at {expected - 1}")
    return found


def history(path: str | Path, *, limit: int = 200, offset: int = 0, zone: str | None = None) -> pd.DataFrame:
    """The newest changes first: revision, changed_at (site-local), by, action, subject, reason, before, after, hash.

    before and after are JSON texts or missing. zone: time zone to show times in; default: the site's.
    """
    from analytics.records.store_settings import zone_in

    with Store(path).reading() as con:
        table = con.execute(
            'SELECT revision, changed_at_utc AS changed_at, "by", action, subject, reason, "before", "after", hash'
            " FROM change ORDER BY revision DESC LIMIT ? OFFSET ?",
            [limit, offset],
        ).df()
        zone = zone or zone_in(con)
    local = pd.to_datetime(table["changed_at"]).dt.tz_localize("UTC").dt.tz_convert(zone).dt.tz_localize(None)
    return table.assign(changed_at=local.astype("datetime64[us]"))


def history_count(path: str | Path) -> int:
    """How many changes there are."""
    with Store(path).reading() as con:
        return int(scalar(con, "SELECT count(*) FROM change"))


def chain_head(path: str | Path) -> str:
    """The hash of the newest change: what reports and backups print as a witness."""
    with Store(path).reading() as con:
        return head_in(con)


def head_in(con: duckdb.DuckDBPyConnection) -> str:
    """The same of an open store."""
    row = first(con, "SELECT hash FROM change ORDER BY revision DESC LIMIT 1")
    return str(row[0]) if row else FIRST_HASH
