"""What people decided, held against the history: exclusions, decisions, settings, column maps, to the last column."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import duckdb

_ACTING = " (signed in as "  # how the history names a person who acted under another's name


class Change(NamedTuple):
    """One row of the history as the checks need it."""

    revision: int
    by: str
    action: str
    subject: str
    reason: str
    before: dict[str, Any]
    after: dict[str, Any]


def changes(con: duckdb.DuckDBPyConnection) -> list[Change]:
    """The history of an open store, oldest first; a text that is no JSON reads as empty (the chain tells of it)."""
    rows = con.execute(
        'SELECT revision, "by", action, subject, reason, "before", "after" FROM change ORDER BY revision'
    ).fetchall()
    return [Change._make((*row[:5], _read(row[5]), _read(row[6]))) for row in rows]


def _read(text: str | None) -> dict[str, Any]:
    try:
        found = json.loads(text) if text else {}
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def same(change: Change, by: str, reason: str, moment: object) -> bool:
    """Whether who, why and when of a row are those of its change; older changes do not say when."""
    named = change.by == by or change.by.startswith(by + _ACTING)
    return named and change.reason == reason and change.after.get("at", str(moment)) == str(moment)


def differences(con: duckdb.DuckDBPyConnection, history: list[Change]) -> list[tuple[str, str]]:
    """Pairs of place and sentence for whatever is not as the history has it."""
    return [
        *_exclusions(con, history),
        *_decisions(con, history),
        *_settings(con, history),
        *_maps(con, history),
    ]


def _exclusions(con: duckdb.DuckDBPyConnection, history: list[Change]) -> Iterable[tuple[str, str]]:
    spans: dict[int, list[tuple[Change, Change | None]]] = {}
    for one in history:
        for reading in one.after.get("reading_id", ()) if one.action in ("exclude", "include") else ():
            known = spans.setdefault(reading, [])
            if one.action == "exclude":
                known.append((one, None))
            elif known:
                known[-1] = (known[-1][0], one)
    stored: dict[int, list[tuple[Any, ...]]] = {}
    for reading, *rest in con.execute(
        'SELECT reading_id, excluded_at, "by", reason, lifted_at, lifted_by, lift_reason FROM exclusion'
        " ORDER BY reading_id, coalesce(lifted_at, 'infinity'::TIMESTAMP), rowid"
    ).fetchall():
        stored.setdefault(reading, []).append(tuple(rest))
    for reading in sorted(set(spans) | set(stored)):
        said, there = spans.get(reading, []), stored.get(reading, [])
        if (now := any(row[3] is None for row in there)) != any(end is None for _, end in said):
            yield (
                f"reading {reading}",
                f"it is {'' if now else 'not '}excluded, the history says otherwise",
            )
        elif len(said) != len(there) or not all(
            _is_span(one, row) for one, row in zip(said, there, strict=True)
        ):
            yield f"reading {reading}", "who excluded it, when and why is not as the history has it"


def _is_span(span: tuple[Change, Change | None], row: tuple[Any, ...]) -> bool:
    start, end = span
    excluded_at, by, reason, lifted_at, lifted_by, lift_reason = row
    lifted = (lifted_by, lift_reason) == (None, None) if end is None else same(end, lifted_by, lift_reason, lifted_at)
    return same(start, by, reason, excluded_at) and lifted


def _decisions(con: duckdb.DuckDBPyConnection, history: list[Change]) -> Iterable[tuple[str, str]]:
    said = {one.after["decision_id"]: one for one in history if "decision_id" in one.after}
    rows = con.execute(
        'SELECT decision_id, probe, decided_at, kind, value, episode, "by", reason FROM decision'
    ).fetchall()
    stands = {row[0]: row[1:] for row in rows}
    for number in sorted(set(said) | set(stands)):
        one, row = said.get(number), stands.get(number)
        fits = False
        if one is not None and row is not None:
            probe, at, kind, value, episode, by, reason = row
            about = one.after.get("probe", probe), one.action, one.after.get("value"), one.after.get("episode")
            fits = about == (probe, kind, value, episode) and same(one, by, reason, at)
            fits = fits and one.subject == (probe or episode or "")
        if not fits or len(rows) != len(stands):
            yield f"decision {number}", "it is not as the history has it"


def _settings(con: duckdb.DuckDBPyConnection, history: list[Change]) -> Iterable[tuple[str, str]]:
    said = [one for one in history if one.action == "settings"]
    rows = con.execute(
        'SELECT version, saved_at, "by", reason, layer FROM setting_version ORDER BY version'
    ).fetchall()
    fits = len(said) == len(rows) and all(
        one.subject == f"version {version}"
        and _layer(one.after) == _read(layer)
        and same(one, by, reason, saved_at)
        for one, (version, saved_at, by, reason, layer) in zip(said, rows, strict=False)
    )
    if not fits:
        yield "settings", "the versions are not those of the history"


def _layer(after: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in after.items() if name != "at"}


def _maps(con: duckdb.DuckDBPyConnection, history: list[Change]) -> Iterable[tuple[str, str]]:
    said: dict[str, list[Change]] = {}
    for one in history:
        if one.action == "column map":
            said.setdefault(one.subject, []).append(one)
    stored: dict[str, list[tuple[Any, ...]]] = {}
    for name, *rest in con.execute(
        'SELECT name, version, saved_at, "by", toml FROM column_map ORDER BY name, version'
    ).fetchall():
        stored.setdefault(name, []).append(tuple(rest))
    for name in sorted(set(said) | set(stored)):
        pairs = list(zip(said.get(name, []), stored.get(name, []), strict=False))
        fits = len(said.get(name, [])) == len(stored.get(name, [])) and all(
            version == place and one.after.get("toml") == toml and same(one, by, "", saved_at)
            for place, (one, (version, saved_at, by, toml)) in enumerate(pairs, 1)
        )
        if not fits:
            yield f"column map {name}", "its versions are not those of the history"
