"""The store's own settings: whole layers, versioned, kept with who and when."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pandas as pd

from analytics import settings
from analytics.errors import UserError
from analytics.records import history
from analytics.records.sql import first, scalar
from analytics.records.store import Store, exists

if TYPE_CHECKING:
    import duckdb

Layer = dict[str, dict[str, Any]]


def layer_in(con: duckdb.DuckDBPyConnection) -> Layer:
    """The newest layer of an open store; empty where none was saved."""
    row = first(con, "SELECT layer FROM setting_version ORDER BY version DESC LIMIT 1")
    return cast("Layer", json.loads(row[0])) if row else {}


def zone_in(con: duckdb.DuckDBPyConnection) -> str:
    """The site's time zone by the settings of an open store."""
    return settings.load(layer_in(con)).site.time_zone


def settings_layer(path: str | Path) -> Layer:
    """The store's own settings by section; empty where none were saved or there is no store."""
    if not exists(path):
        return {}
    with Store(path).reading() as con:
        return layer_in(con)


def save_settings(path: str | Path, layer: Mapping[str, Mapping[str, Any]], *, by: str, reason: str = "") -> int:
    """Save a whole layer as a new version; returns its number.

    Raises:
        UserError: settings that cannot be used, with every problem at once.
    """
    checked = settings.load(layer)
    known_zone(checked.site.time_zone)
    new = {section: dict(values) for section, values in layer.items()}
    with Store(path).writing() as con:
        number = int(scalar(con, "SELECT coalesce(max(version), 0) + 1 FROM setting_version"))
        before = layer_in(con)
        moment = site_now(checked.site.time_zone)
        con.execute(
            "INSERT INTO setting_version VALUES (?, ?, ?, ?, ?)",
            [number, moment, by, reason, json.dumps(new, sort_keys=True)],
        )
        after = new | {"at": moment}
        history.record(
            con, by=by, action="settings", subject=f"version {number}", reason=reason, before=before, after=after
        )
        return number


def setting_versions(path: str | Path) -> pd.DataFrame:
    """Every saved layer, newest first: version, saved_at, by, reason, layer (JSON text)."""
    with Store(path).reading() as con:
        return con.execute(
            'SELECT version, saved_at, "by", reason, layer FROM setting_version ORDER BY version DESC'
        ).df()


def known_zone(name: str) -> ZoneInfo:
    """The time zone of that name; UserError where there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UserError(
            f"there is no time zone `{name}`", where="site.time_zone", do="Use an IANA name such as Europe/Vienna."
        ) from error


def site_now(zone: str) -> datetime:
    """The site's local time now, without an offset."""
    return datetime.now(known_zone(zone)).replace(tzinfo=None, microsecond=0)
