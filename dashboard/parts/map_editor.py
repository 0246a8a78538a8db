"""A column map by hand: beside the first rows of a file, which heading is which column, in which unit."""

from __future__ import annotations

from typing import Any

import streamlit as st

from analytics.records.column_map import ColumnMap, DateOrder
from analytics.records.columns import TABLES, Column
from analytics.records.units import UNITS
from dashboard.parts import links

DATE_ORDER: dict[DateOrder, str] = {
    "iso": "2024-05-31 (year first)",
    "day_first": "31.05.2024 (day first)",
    "month_first": "05/31/2024 (month first)",
    "auto": "decide over the whole column",
}
DECIMAL = {".": "point: 12.5", ",": "comma: 12,5"}
_TWO_PARTS = "moment"  # a time may stand in two columns, date and time


def edit(preview: Any, *, key: str) -> ColumnMap:
    """Draw the editor for one table of a file, starting from the guess; the map as it stands now."""
    guess: ColumnMap = preview.guess
    headings = list(preview.headings)
    st.dataframe(
        preview.first_rows, hide_index=True, height=212, key=f"{key}-rows", alt=f"First rows of {preview.file}"
    )
    with st.container(horizontal=True):
        kinds = list(TABLES)
        kind = st.selectbox(
            "These rows are",
            kinds,
            index=kinds.index(guess.kind or preview.kind or "readings"),
            key=f"{key}-kind",
            width=220,
        )
        order = st.selectbox(
            "Dates are written",
            list(DATE_ORDER),
            index=list(DATE_ORDER).index(guess.date_order),
            format_func=DATE_ORDER.__getitem__,
            key=f"{key}-order",
            width=280,
        )
        decimal = st.selectbox(
            "Decimal sign",
            list(DECIMAL),
            index=list(DECIMAL).index(guess.decimal),
            format_func=DECIMAL.__getitem__,
            key=f"{key}-decimal",
            width=180,
        )
    needed = [one for one in TABLES[kind].columns if one.required]
    others = [one for one in TABLES[kind].columns if not one.required]
    columns: dict[str, tuple[str, ...]] = {}
    units: dict[str, str] = {}
    constants: dict[str, str] = {}
    st.markdown("**Needed**")
    for column in needed:
        _row(column, headings, guess, f"{key}-{kind}", columns, units, constants)
    with st.expander(
        f"Not needed, but welcome ({len(others)})", expanded=any(one.name in guess.columns for one in others)
    ):
        for column in others:
            _row(column, headings, guess, f"{key}-{kind}", columns, units, constants)
    missing = [one.name for one in needed if one.name not in columns and one.name not in constants]
    if missing:
        st.warning(
            f"Still to be found: {', '.join(f'`{one}`' for one in missing)}. Choose a heading, or give one value "
            "for all rows.",
            icon=":material/rule:",
        )
    unused = [one for one in headings if one and not any(one in parts for parts in columns.values())]
    if unused:
        st.caption("Kept with the row, but not read: " + ", ".join(links.escape(one) for one in unused) + ".")
    return ColumnMap(
        kind=kind,
        date_order=order,
        decimal=decimal,
        thousands=guess.thousands,
        columns=columns,
        units=units,
        constants=constants,
        words=guess.words,
    )


def _row(
    column: Column,
    headings: list[str],
    guess: ColumnMap,
    key: str,
    columns: dict[str, tuple[str, ...]],
    units: dict[str, str],
    constants: dict[str, str],
) -> None:
    """One of our columns: its heading (two for a time), its unit where it has some, or one value for all rows."""
    offered = [one for one in dict.fromkeys(headings) if one]
    guessed = [one for one in guess.columns.get(column.name, ()) if one in offered]
    with st.container(horizontal=True, vertical_alignment="bottom"):
        label = f"{column.name}{f' ({column.unit})' if column.unit else ''}"
        if column.type == _TWO_PARTS:
            picked = st.multiselect(
                label,
                offered,
                default=guessed,
                max_selections=2,
                key=f"{key}-{column.name}",
                width=340,
                placeholder="heading, or date and time",
                help=column.help or None,
            )
        else:
            one = st.selectbox(
                label,
                offered,
                index=offered.index(guessed[0]) if guessed else None,
                key=f"{key}-{column.name}",
                width=340,
                placeholder="no heading",
                help=column.help or None,
            )
            picked = [one] if one else []
        if picked:
            columns[column.name] = tuple(picked)
            if column.name in UNITS:
                choices = list(UNITS[column.name])
                own = guess.units.get(column.name) or column.unit
                unit = st.selectbox(
                    "in",
                    choices,
                    index=choices.index(own) if own in choices else 0,
                    key=f"{key}-{column.name}-unit",
                    width=110,
                )
                if unit != column.unit:
                    units[column.name] = unit
        elif value := st.text_input(
            "one value for all rows",
            value=guess.constants.get(column.name, ""),
            key=f"{key}-{column.name}-all",
            width=220,
            placeholder="leave empty for none",
        ).strip():
            constants[column.name] = value
