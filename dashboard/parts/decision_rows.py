"""The decision table as a form: one row at a time is changed, added, moved or removed; the whole stands under it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from analytics.advice.decision_facts import FACTS
from analytics.advice.decision_table import Span, read_condition
from dashboard.parts import links, values
from dashboard.parts.decision_rows_said import (
    BETWEEN,
    SIGNS,
    Bound,
    as_given,
    bound_of,
    comparison,
    conditions_said,
    first_condition,
    scale,
    unit,
    word_of,
)
from dashboard.parts.words import PROBE, PROBE_ORDER

Row = dict[str, Any]  # row, advice, when; and "id", which stays while the row is renamed or moved


def field(
    key: str, value: list[Row], *, stored: list[Row], shipped: list[Row], decided: Mapping[str, int] | None
) -> list[Row]:
    """The form, filled with ``value``; returns the table as it stands in it.

    key:     of the setting; all that the form keeps in the visit begins with it.
    stored:  the table that is in force; where another is put in force, the form begins anew.
    decided: how many probes each row decides at present, by its name; None: not known.
    """
    if st.session_state.get(f"{key}-begun") != stored or key not in st.session_state:
        st.session_state[f"{key}-begun"] = stored
        _fill(key, value)
    rows: list[Row] = st.session_state[key]
    st.caption("Read from the top: the first row whose conditions all hold decides. What is not known fulfils no condition.")
    at = _chosen(key, rows)
    with st.container(border=True, key=f"{key}-one"):
        _one(key, rows, at, shipped)
    _whole(rows, at, decided)
    return [{name: one[name] for name in ("row", "advice", "when")} for one in rows]


def _fill(key: str, value: list[Row]) -> None:
    """Begin with these rows; none of them keeps what was typed before."""
    first = int(st.session_state.get(f"{key}-next", 0))
    st.session_state[f"{key}-next"] = first + len(value)
    st.session_state[key] = [{**one, "when": dict(one["when"]), "id": first + i} for i, one in enumerate(value)]
    st.session_state[f"{key}-chosen"] = first


def _chosen(key: str, rows: list[Row]) -> int:
    """The place of the row that is being changed."""
    at = f"{key}-at"
    ids = [one["id"] for one in rows]
    if st.session_state.get(f"{key}-chosen") not in ids:
        st.session_state[f"{key}-chosen"] = ids[0]
    st.session_state[at] = st.session_state[f"{key}-chosen"]
    said = {one["id"]: f"{i}. {one['row'] or 'no name yet'} \u2192 {PROBE[one['advice']].word}" for i, one in enumerate(rows, 1)}

    def choose() -> None:
        st.session_state[f"{key}-chosen"] = st.session_state[at]

    chosen = st.selectbox("Row to change", ids, format_func=said.__getitem__, key=at, on_change=choose)
    return ids.index(chosen)


def _one(key: str, rows: list[Row], at: int, shipped: list[Row]) -> None:
    row = rows[at]
    mine = f"{key}-{row['id']}"
    name, advice = st.columns([3, 2])
    with name:
        row["row"] = st.text_input(
            "Name of the row", value=row["row"], max_chars=80, key=f"{mine}-name", help="Said wherever this row decides."
        ).strip()
    with advice:
        row["advice"] = st.selectbox(
            "Then the advice is", PROBE_ORDER, index=PROBE_ORDER.index(row["advice"]), key=f"{mine}-advice",
            format_func=lambda one: f"{PROBE[one].mark} {PROBE[one].word}",
        )  # fmt: skip
    st.markdown("**If all of these hold**" if row["when"] else "**Always**, where no row above holds")
    for fact in list(row["when"]):
        _condition(mine, row, fact)
    free = [one for one in FACTS if one not in row["when"]]

    def add() -> None:
        fact = st.session_state[f"{mine}-add"]
        if fact is not None:
            row["when"][fact] = first_condition(fact)
            st.session_state[f"{mine}-add"] = None

    st.selectbox(
        "Add a condition", free, index=None, key=f"{mine}-add", on_change=add, placeholder="what it shall depend on",
        format_func=lambda one: _upper(FACTS[one].means),
    )  # fmt: skip
    original = next((one for one in shipped if one["row"] == row["row"]), None)
    if original is not None:
        st.caption(
            f"Shipped: {PROBE[original['advice']].word}, if {links.escape(conditions_said(original['when']))}."
        )
    else:
        st.caption("No shipped row has this name.")
    _buttons(key, rows, at, shipped)


def _condition(mine: str, row: Row, name: str) -> None:
    """One condition: what it asks, the field for the answer, and the way to take it out."""
    fact, given, key = FACTS[name], row["when"][name], f"{mine}-{name}"
    with st.container(horizontal=True, vertical_alignment="bottom", key=f"{key}-row"):
        if fact.kind == "yes/no":
            row["when"][name] = st.selectbox(
                _upper(fact.means), (True, False), index=0 if given else 1, key=f"{key}-yes",
                format_func=lambda yes: fact.yes if yes else fact.no,
            )  # fmt: skip
        elif fact.kind == "number":
            row["when"][name] = _number(key, name, given)
        else:
            listed = [str(one) for one in (given if isinstance(given, list | tuple) else [given])]
            words = st.multiselect(
                f"{_upper(fact.means)}: one of", fact.words, default=[one for one in listed if one in fact.words],
                key=f"{key}-words", format_func=lambda word: word_of(name, word), placeholder="choose at least one",
            )  # fmt: skip
            row["when"][name] = as_given(name, list(words), given)

        def drop() -> None:
            row["when"].pop(name, None)

        st.button(
            "", icon=":material/close:", key=f"{key}-drop", on_click=drop, help=f"Take out: {fact.means}", type="tertiary"
        )


def _number(key: str, name: str, given: Any) -> Any:
    """A comparison; while a number is missing, the condition stays as it was."""
    fact = FACTS[name]
    try:
        span = read_condition(name, given).span or Span()
    except ValueError:
        span = Span(fact.low, True, fact.high, True)
    begun = bound_of(fact, span)
    typed_in = unit(fact)
    sign = st.selectbox(_upper(fact.means), SIGNS, index=SIGNS.index(begun.sign), key=f"{key}-sign")
    ends: dict[str, float | None] = {"low": None, "high": None}
    wanted = ("low", "high") if sign == BETWEEN else ("low",) if sign in SIGNS[:2] else ("high",)
    most = None if fact.high == float("inf") else fact.high * scale(fact)
    for end in wanted:
        start = begun.low if end == "low" else begun.high
        start = start if start is not None else begun.high if end == "low" else begun.low
        ends[end] = st.number_input(
            f"Number, {typed_in}" if typed_in else "Number", value=start, min_value=fact.low * scale(fact), max_value=most,
            format="%g", key=f"{key}-{end}", width=150, placeholder="needs a value",
        )  # fmt: skip
    keeps = sign == BETWEEN == begun.sign
    bound = Bound(sign, ends["low"], ends["high"], begun.low_in if keeps else True, begun.high_in if keeps else True)
    new = comparison(fact, bound)
    return given if new is None else as_given(name, new, given)


def _buttons(key: str, rows: list[Row], at: int, shipped: list[Row]) -> None:
    """Move, add and remove; and back to what was shipped."""

    def move(by: int) -> None:
        rows.insert(at + by, rows.pop(at))

    def add() -> None:
        number = int(st.session_state[f"{key}-next"])
        st.session_state[f"{key}-next"] = number + 1
        taken = {one["row"] for one in rows}
        name = next(f"new row{end}" for end in ["", *(f" {i}" for i in range(2, len(rows) + 3))] if f"new row{end}" not in taken)
        rows.insert(at, {"row": name, "advice": "watch", "when": {"repeat_requested": True}, "id": number})
        st.session_state[f"{key}-chosen"] = number

    def remove() -> None:
        rows.pop(at)
        st.session_state[f"{key}-chosen"] = rows[min(at, len(rows) - 1)]["id"]

    with st.container(horizontal=True):
        st.button("Move up", icon=":material/arrow_upward:", key=f"{key}-up", on_click=move, args=(-1,), disabled=at == 0)
        st.button(
            "Move down", icon=":material/arrow_downward:", key=f"{key}-down", on_click=move, args=(1,),
            disabled=at == len(rows) - 1,
        )  # fmt: skip
        st.button("New row above", icon=":material/add:", key=f"{key}-new", on_click=add)
        st.button("Remove this row", icon=":material/remove:", key=f"{key}-remove", on_click=remove, disabled=len(rows) == 1)
        st.button("All rows as shipped", icon=":material/restart_alt:", key=f"{key}-shipped", on_click=_fill, args=(key, shipped))


def _whole(rows: list[Row], at: int, decided: Mapping[str, int] | None) -> None:
    """The whole table in words, the row that is being changed in bold; a list, since it is read on a telephone as well."""
    lines = []
    for number, one in enumerate(rows):
        said = f"{one['row']} \u2192 {PROBE[one['advice']].word}"
        said = links.escape(said) if number != at else f"**{links.escape(said)}**"
        many = (decided or {}).get(one["row"], 0)
        here = f" *{values.count(many, 'probe')} now.*" if many else ""
        lines.append(f"{number + 1}. {said}: {links.escape(_upper(conditions_said(one['when'])))}.{here}")
    st.markdown("\n".join(lines))
    if decided is not None:
        st.caption("Probes now: by the answer at hand, under the settings in force.")


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
