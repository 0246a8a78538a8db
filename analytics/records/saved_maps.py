"""Column maps saved by name in the store; an older version of a map stays in the history."""

from __future__ import annotations

from pathlib import Path

from analytics.errors import UserError
from analytics.records import history
from analytics.records.column_map import ColumnMap
from analytics.records.sql import first
from analytics.records.store import Store, exists
from analytics.records.store_settings import site_now, zone_in

_NEWEST = (
    "SELECT name, version, toml FROM column_map"
    " QUALIFY row_number() OVER (PARTITION BY name ORDER BY version DESC) = 1 ORDER BY name"
)


def maps(path: str | Path) -> list[str]:
    """The names of the saved maps."""
    if not exists(path):
        return []
    with Store(path).reading() as con:
        return [name for name, _, toml in con.execute(_NEWEST).fetchall() if toml is not None]


def get_map(path: str | Path, name: str) -> ColumnMap:
    """The saved map of that name; UserError where there is none."""
    with Store(path).reading() as con:
        known = {known: toml for known, _, toml in con.execute(_NEWEST).fetchall() if toml is not None}
    if name not in known:
        listed = ", ".join(known) or "none"
        raise UserError(
            f"there is no column map `{name}`",
            where=str(path),
            do=f"Saved are: {listed}. A TOML file may be named instead.",
        )
    return ColumnMap.from_toml(known[name], where=f"column map {name}")


def find_map(path: str | Path, name: str | None) -> ColumnMap:
    """The map of a TOML file, or of that name in the store; an empty one where none is asked for."""
    if name is None:
        return ColumnMap()
    if name.endswith(".toml"):
        try:
            return ColumnMap.from_toml(Path(name).read_text(encoding="utf-8"), where=name)
        except (OSError, UnicodeDecodeError) as error:
            raise UserError(
                "the column map cannot be read", where=name, do="Check the file's name and encoding."
            ) from error
    return get_map(path, name)


def save_map(path: str | Path, name: str, column_map: ColumnMap, *, by: str) -> None:
    """Save a map under a name, as a new version where there is one."""
    if not name.strip() or name.endswith(".toml"):
        raise UserError(f"`{name}` is no name for a column map", do="Use a short name that does not end in .toml.")
    _save(path, name, column_map.to_toml(), by)


def delete_map(path: str | Path, name: str, *, by: str) -> None:
    """Take a map off the list; UserError where there is none of that name."""
    get_map(path, name)
    _save(path, name, None, by)


def _save(path: str | Path, name: str, toml: str | None, by: str) -> None:
    with Store(path).writing() as con:
        last = first(con, "SELECT version, toml FROM column_map WHERE name = ? ORDER BY version DESC LIMIT 1", [name])
        version, before = last or (0, None)
        moment = site_now(zone_in(con))
        con.execute("INSERT INTO column_map VALUES (?, ?, ?, ?, ?)", [name, version + 1, moment, by, toml])
        after = {"toml": toml, "at": moment}
        history.record(con, by=by, action="column map", subject=name, before={"toml": before}, after=after)
