"""Unfinished entries of the bench page. They are no records: they leave revision and history alone."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.errors import UserError
from analytics.records.access import permit
from analytics.records.sql import first, scalar
from analytics.records.store import Store
from analytics.records.store_settings import site_now, zone_in

if TYPE_CHECKING:
    import duckdb


def save_draft(path: str | Path, payload: Mapping[str, Any], *, by: str, draft_id: int | None = None) -> int:
    """Keep what was typed so far; returns the draft's number. draft_id: replace that one, where it is still there."""
    text = json.dumps(payload, default=str, ensure_ascii=False)
    with Store(path).writing() as con:
        permit(con, by, "draft")
        if draft_id is None or first(con, "SELECT 1 FROM draft WHERE draft_id = ?", [draft_id]) is None:
            draft_id = int(scalar(con, "SELECT coalesce(max(draft_id), 0) + 1 FROM draft"))
        con.execute("DELETE FROM draft WHERE draft_id = ?", [draft_id])
        con.execute("INSERT INTO draft VALUES (?, ?, ?, ?)", [draft_id, site_now(zone_in(con)), by, text])
    return draft_id


def take_draft(con: duckdb.DuckDBPyConnection, draft_id: int) -> Any:
    """What a draft held, and it is gone with the caller's transaction; None where there is none of that number."""
    row = first(con, "SELECT payload FROM draft WHERE draft_id = ?", [draft_id])
    con.execute("DELETE FROM draft WHERE draft_id = ?", [draft_id])
    return json.loads(row[0]) if row else None


def drafts(path: str | Path, by: str | None = None) -> pd.DataFrame:
    """The drafts, newest first: draft_id, by, saved_at, payload (JSON text); of one person where named."""
    where, values = ('WHERE "by" = ?', [by]) if by is not None else ("", [])
    with Store(path).reading() as con:
        return con.execute(
            f'SELECT draft_id, "by", saved_at, payload FROM draft {where} ORDER BY saved_at DESC, draft_id DESC', values
        ).df()


def delete_draft(path: str | Path, draft_id: int, *, by: str = "") -> None:
    """Throw a draft away; UserError where there is none of that number."""
    with Store(path).writing() as con:
        permit(con, by, "draft")
        if first(con, "SELECT 1 FROM draft WHERE draft_id = ?", [draft_id]) is None:
            raise UserError(f"there is no draft {draft_id}", where=str(path))
        con.execute("DELETE FROM draft WHERE draft_id = ?", [draft_id])
