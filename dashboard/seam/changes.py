"""The history as its page reads it: one row a change, exclusions, and the state of the chain."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import pandas as pd
import streamlit as st

from analytics.settings import load
from dashboard.parts import decision_rows_said
from dashboard.seam import place, read
from dashboard.seam.settings_form import plain

PAGE = 200
WORDS = {
    "load": "loaded",
    "typed in": "typed in",
    "undo": "load taken back",
    "exclude": "reading excluded",
    "include": "exclusion taken back",
    "correct": "corrected",
    "change": "registry changed",
    "settings": "settings changed",
    "release": "held rows released",
    "discard": "held rows closed",
    "column map": "column map kept",
    "role": "role given",
    "refused": "refused",
    "signed in": "signed in",
    "shown": "alerts shown",
    "lend": "spare lent",
    "end loan": "end of a loan set",
    "take back loan": "loan taken back",
}


_BOOKKEEPING = {"already_there", "at", "digests", "files", "held", "load", "registered", "rows", "stored"}  # of any load


@dataclass(frozen=True)
class Chain:
    """Whether the history is whole: its length, its head, and what is wrong with it (nothing where it is sound)."""

    length: int
    head: str
    problems: tuple[str, ...]


def word(action: str) -> str:
    """An action as a person says it."""
    return WORDS.get(action, action.replace("_", " "))


@st.cache_resource(max_entries=8, show_spinner="Reading the history …")
def _rows(path: str, revision: int, limit: int, offset: int) -> pd.DataFrame:  # noqa: ARG001 - the revision is part of the key
    from analytics.records.history import history

    return history(path, limit=limit, offset=offset)


def rows(limit: int = PAGE, offset: int = 0) -> pd.DataFrame:
    """Changes, newest first, with ``what`` (action in words) and ``difference`` (before → after)."""
    found = _rows(str(place.store_path()), read.revision(), limit, offset)
    return found.assign(
        what=[word(str(one)) for one in found["action"]],
        difference=[difference(b, a) for b, a in zip(found["before"], found["after"], strict=True)],
    )


def many() -> int:
    """Number of changes in all."""
    from analytics.records.history import history_count

    return history_count(place.store_path())


def chosen(changes: pd.DataFrame, *, who: list[str], what: list[str], text: str) -> pd.DataFrame:
    """The changes that fit all filters; ``text`` is looked for in subject, reason and difference, whatever its case."""
    keep = pd.Series(True, index=changes.index)
    if who:
        keep &= changes["by"].isin(who)
    if what:
        keep &= changes["what"].isin(what)
    if text.strip():
        everything = (
            changes[["subject", "reason", "difference"]].astype("object").fillna("").astype(str).agg(" ".join, axis=1)
        )
        keep &= everything.str.casefold().str.contains(text.strip().casefold(), regex=False)
    return changes[keep]


def difference(before: object, after: object) -> str:
    """What changed between two JSON documents, field by field; the fields of one where there is only one.

    >>> difference('{"counts": 20050, "jig": "J-1"}', '{"counts": 25000, "jig": "J-1"}')
    'counts: 20050 → 25000'
    >>> difference(None, '{"rows": 12}')
    'rows: 12'
    >>> difference('{"draft": {"probe": "P-1", "note": ""}}', None)
    'draft: probe P-1'
    """
    old, new = _document(before), _document(after)
    if not old and isinstance(new, dict) and {"rows", "stored", "held", "files"} <= set(new):
        return _load(new)
    if not old and isinstance(new, dict) and isinstance(ends := new.get("alert_id"), list) and len(ends) == 2:
        return f"{ends[1] - ends[0] + 1} alerts entered in the log of what was shown"
    if not isinstance(old, dict) or not isinstance(new, dict):
        return " → ".join(_short(one) for one in (old, new) if one not in (None, {}))
    if "decision" in old or "decision" in new:
        return _settings(old, new)
    return _fields(old, new)


def _fields(old: dict[str, Any], new: dict[str, Any]) -> str:
    """The same of two documents that are read."""
    if old and set(new) >= _BOOKKEEPING:
        new = {name: value for name, value in new.items() if name not in _BOOKKEEPING}
    if not old or not new:
        return "; ".join(f"{name}: {_short(value)}" for name, value in (old or new).items() if value is not None)
    return "; ".join(
        f"{name}: {_short(old.get(name))} → {_short(new.get(name))}"
        for name in dict.fromkeys([*old, *new])
        if old.get(name) != new.get(name)
    )


def _settings(old: dict[str, Any], new: dict[str, Any]) -> str:
    """Settings whose decision table was changed: its rows in sentences, for cut short both tables would look alike."""
    before, after = (_table(one) for one in (old, new))
    rest = _fields(_without_rows(old), _without_rows(new))
    return "; ".join(one for one in (*decision_rows_said.differences(before, after), rest) if one)


def _table(layer: dict[str, Any]) -> list[Any]:
    """The decision table under these settings; the shipped one where they hold none."""
    rows: list[Any] = (layer.get("decision") or {}).get("rows") or plain(load().decision.rows)
    return [{"when": {}, **one} for one in rows]


def _without_rows(layer: dict[str, Any]) -> dict[str, Any]:
    own = {name: value for name, value in (layer.get("decision") or {}).items() if name != "rows"}
    return {name: value for name, value in layer.items() if name != "decision"} | ({"decision": own} if own else {})


def _load(after: dict[str, Any]) -> str:
    """A load in words: rows by what became of them, and the files."""
    counted = f"{after['stored']} new, {after.get('already_there', 0)} already there, {after['held']} held"
    return f"{after['rows']} rows: {counted}; from {_short(after['files'])}"


def _document(text: object) -> Any:
    if not isinstance(text, str) or not text:
        return {}
    try:
        content = json.loads(text)
    except ValueError:
        return text
    return {} if content is None else content


def _short(value: object) -> str:
    if value is None or value == {}:
        return "–"
    if isinstance(value, list) and all(isinstance(one, str | int | float) for one in value):
        value = ", ".join(map(str, value))
    if isinstance(value, dict):
        value = ", ".join(f"{name} {_short(one)}" for name, one in value.items() if one not in ("", None, [], {}))
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 120 else f"{text[:117]}…"


def exclusions() -> pd.DataFrame:
    """Readings that are excluded now: who, when, why, and what was counted."""
    from analytics.records.people import exclusions as of_store

    found = of_store(place.store_path())
    counted = read.records().readings[
        ["reading_id", "probe", "taken_at", "window", "measurement", "counts", "count_time_s"]
    ]
    return found.merge(counted, on="reading_id", how="left").sort_values("excluded_at", ascending=False, kind="stable")


def chain(*, verify: bool) -> Chain:
    """The chain's length and head; with ``verify`` also every problem that the store's own check finds."""
    from analytics.records.history import chain_head

    problems: tuple[str, ...] = ()
    if verify:
        from analytics.records.check_store import check_store

        problems = tuple(f"{one.where}: {one.what}" for one in check_store(place.store_path()))
    return Chain(many(), chain_head(place.store_path()), problems)
