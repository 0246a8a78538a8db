"""The field a setting is changed with, by what kind of setting it is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.parts import decision_rows
from dashboard.seam.settings_form import UNIT, Entry, decided

NOT_HERE = {
    ("alarms", "on_new"): "Set in a folder given with --config and not here: whoever reaches this page could otherwise "
    "have this machine run a command."
}


def field(one: Entry, value: Any) -> Any:
    """The field for a setting, filled with ``value``; returns what stands in it."""
    label, key = one.words, f"set-{one.section}-{one.name}"
    if one.key in NOT_HERE:
        st.text_input(label, value=str(value), disabled=True, key=key, help=NOT_HERE[one.key])
        return one.stored
    made: dict[str, Callable[[Entry, str, str, Any], Any]] = {
        "whole": _number, "number": _number, "by name": _by_name, "several": _several, "half-lives": _half_lives, "rows": _rows,
    }  # fmt: skip
    return made.get(one.kind, _plain)(one, label, key, value)


def _plain(one: Entry, label: str, key: str, value: Any) -> Any:
    """Yes or no, one of a few words, or a line of text."""
    if one.kind == "yes/no":
        return st.toggle(label, value=bool(value), key=key)
    if one.kind == "choice":
        return st.selectbox(label, one.choices, index=one.choices.index(str(value)), key=key)
    return st.text_input(label, value=str(value), max_chars=300, key=key).strip()


def _number(one: Entry, label: str, key: str, value: Any) -> Any:
    """A number; None where it is left empty, and may be."""
    kind: Any = int if one.kind == "whole" else float
    bounds = {
        name: kind(bound)
        for name, bound in (("min_value", one.at_least), ("max_value", one.at_most))
        if bound is not None
    }
    typed: Any = st.number_input(
        label,
        value=None if value is None else kind(value),
        format="%d" if one.kind == "whole" else "%g",
        placeholder="none" if one.optional else "needs a value",
        key=key,
        **bounds,
    )
    if typed is None:
        return None if one.optional else one.stored
    return kind(typed)


def _begun(key: str, value: dict[str, Any]) -> dict[str, Any]:
    """What a table of this key began with: the editor lays its edits over that."""
    if key not in st.session_state:
        st.session_state[f"{key}-begun"] = value
    begun: dict[str, Any] = st.session_state[f"{key}-begun"]
    return begun


def _edited(table: pd.DataFrame, label: str, key: str, columns: dict[str, Any]) -> pd.DataFrame:
    """The table as it stands in its editor, in which rows are added and removed."""
    st.caption(label)
    return st.data_editor(table, num_rows="dynamic", hide_index=True, key=key, alt=label, column_config=columns)


def _by_name(one: Entry, label: str, key: str, value: dict[str, Any]) -> dict[str, Any]:
    """A table of names with a number each."""
    begun = _begun(key, value)
    table = pd.DataFrame({"name": list(begun), "value": [float(v) for v in begun.values()]}).astype({"name": "str"})
    columns = {
        "name": st.column_config.TextColumn("For", required=True),
        "value": st.column_config.NumberColumn(UNIT.get(one.unit, one.unit) or "Value", required=True, min_value=one.at_least),
    }
    edited = _edited(table, label, key, columns).dropna()
    whole = "probes" in one.unit
    return {str(n).strip(): (int(v) if whole else float(v)) for n, v in zip(edited["name"], edited["value"], strict=True)}


def _half_lives(one: Entry, label: str, key: str, value: dict[str, Any]) -> dict[str, Any]:
    """Half-lives by nuclide, each with where it is from; a row counts once all of it is filled in."""
    begun = _begun(key, value)
    table = pd.DataFrame(
        {
            "nuclide": pd.Series(list(begun), dtype="str"),
            "half_life_days": pd.Series([v["half_life_days"] for v in begun.values()], dtype="float64"),
            "source": pd.Series([v["source"] for v in begun.values()], dtype="str"),
        }
    )
    columns = {
        "nuclide": st.column_config.TextColumn("Nuclide, such as Gd-153", required=True),
        "half_life_days": st.column_config.NumberColumn(f"Half-life, {UNIT.get(one.unit, one.unit)}", required=True, min_value=0),
        "source": st.column_config.TextColumn("Where it is from", required=True),
    }
    edited = _edited(table, label, key, columns)
    whole = edited.dropna()
    if len(whole) < len(edited):
        st.caption("A row counts once nuclide, half-life and where it is from are filled in.")
    filled = (whole["nuclide"], whole["half_life_days"], whole["source"])
    return {
        str(n).strip(): {"half_life_days": float(d), "source": str(s).strip()} for n, d, s in zip(*filled, strict=True)
    }


def _several(one: Entry, label: str, key: str, value: list[str]) -> list[str]:
    """Some of a few words, none or all."""
    return st.multiselect(
        label, one.choices, default=[word for word in value if word in one.choices], key=key, placeholder="none",
        format_func=lambda word: word.replace("_", " "),
    )  # fmt: skip


def _rows(one: Entry, _label: str, key: str, value: list[Any]) -> list[Any]:
    """The decision table, a row at a time."""
    return decision_rows.field(key, value, stored=one.stored, shipped=one.default, decided=decided())
