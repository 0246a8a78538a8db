"""The field a setting is changed with, by what kind of setting it is."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.seam.settings_form import UNIT, Entry

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
    made = {"whole": _number, "number": _number, "by name": _by_name, "yes/no": _plain, "choice": _plain, "text": _plain}
    return made.get(one.kind, _written_out)(one, label, key, value)


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


def _by_name(one: Entry, label: str, key: str, value: dict[str, Any]) -> dict[str, Any]:
    """A table of names with a number each."""
    st.caption(label)
    if key not in st.session_state:  # the editor lays its edits over what it began with
        st.session_state[f"{key}-begun"] = value
    value = st.session_state[f"{key}-begun"]
    table = pd.DataFrame({"name": list(value), "value": [float(v) for v in value.values()]}).astype({"name": "str"})
    edited = st.data_editor(
        table,
        num_rows="dynamic",
        hide_index=True,
        key=key,
        alt=label,
        column_config={
            "name": st.column_config.TextColumn("For", required=True),
            "value": st.column_config.NumberColumn(UNIT.get(one.unit, one.unit) or "Value", required=True, min_value=one.at_least),
        },
    ).dropna()
    whole = "probes" in one.unit
    return {str(n).strip(): (int(v) if whole else float(v)) for n, v in zip(edited["name"], edited["value"], strict=True)}


def _written_out(_one: Entry, label: str, key: str, value: Any) -> Any:
    """A setting of several parts, as JSON; what cannot be read as JSON stays unsaved and says why."""
    text = st.text_area(label, value=json.dumps(value, indent=1, ensure_ascii=False), height=160, key=key)
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        st.error(f"Line {error.lineno}, column {error.colno}: {error.msg}. It is kept as it was until that is mended.")
        return value
