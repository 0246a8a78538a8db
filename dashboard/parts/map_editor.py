"""A column map by hand: beside the first rows of a file, which heading is which column, in which unit."""

from __future__ import annotations

from dataclasses import dataclass
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
_NEARLY_ALWAYS = ("counts", "source")  # not needed by every row of readings, but by nearly every file
_TWO_PARTS = "moment"  # a time may stand in two columns, date and time


def edit(preview: Any, *, key: str) -> ColumnMap:
    """Draw the editor for one table of a file, starting from the guess; the map as it stands now."""
    guess: ColumnMap = preview.guess
    headings = list(preview.headings)
    st.dataframe(preview.first_rows, hide_index=True, key=f"{key}-rows", alt=f"First rows of {preview.file}")
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
    table = TABLES[kind]
    either = {name for group in table.any_of for name in group}
    needed = [one for one in table.columns if one.required or one.name in either or one.name in _NEARLY_ALWAYS]
    others = [one for one in table.columns if one not in needed]
    wide = _wide(headings, guess, f"{key}-wide") if kind == "readings" else {}
    if wide:
        needed = [one for one in needed if one.name not in ("counts", "rate_cps", "measurement")]
    found = _Found({}, {}, {})
    either_words = "" if wide else "".join(f", {' or '.join(f'`{one}`' for one in g)}" for g in table.any_of)
    st.markdown("**Needed**" + either_words)
    _grid(needed, headings, guess, f"{key}-{kind}", found)
    with st.expander(
        f"Not needed, but welcome ({len(others)})", expanded=any(one.name in guess.columns for one in others)
    ):
        _grid(others, headings, guess, f"{key}-{kind}", found)
    columns, units, constants = found.columns, found.units, found.constants
    have = set(columns) | set(constants)
    missing = [f"`{one.name}`" for one in needed if one.required and one.name not in have]
    if not wide:
        missing += [" or ".join(f"`{one}`" for one in group) for group in table.any_of if not have & set(group)]
    if missing:
        st.warning(
            f"Still to be found: {', '.join(missing)}. Choose a heading, or give one value for all rows.",
            icon=":material/rule:",
        )
    read = [*columns.values(), *(tuple(map(str, own.values())) for own in wide.values())]
    unused = [one for one in headings if one and not any(one in parts for parts in read)]
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
        wide=wide,
    )


def _wide(headings: list[str], guess: ColumnMap, key: str) -> dict[str, dict[str, str | float]]:
    """For a sheet with one column a measurement: which heading has the counts of which."""
    offered = [one for one in dict.fromkeys(headings) if one]
    found: dict[str, dict[str, str | float]] = {}
    with st.expander("One line a check, with a column for each measurement", expanded=bool(guess.wide)):
        st.caption("Choose the headings under which the counts of each stand; a blank cell is a measurement not made.")
        with st.container(horizontal=True):
            for measurement in TABLES["readings"].column("measurement").choices:
                known = guess.wide.get(measurement, {}).get("counts")
                one = st.selectbox(
                    measurement,
                    offered,
                    index=offered.index(str(known)) if known in offered else None,
                    key=f"{key}-{measurement}",
                    width=200,
                    placeholder="no heading",
                )
                if one:
                    found[measurement] = {**guess.wide.get(measurement, {}), "counts": one}
    return found


@dataclass(frozen=True)
class _Found:
    """What the rows of the editor were set to, by our column."""

    columns: dict[str, tuple[str, ...]]
    units: dict[str, str]
    constants: dict[str, str]


def _grid(ours: list[Column], headings: list[str], guess: ColumnMap, key: str, found: _Found) -> None:
    """The rows of some of our columns, in two halves side by side."""
    half = -(-len(ours) // 2)
    for place, part in zip(st.columns(2, gap="large"), (ours[:half], ours[half:]), strict=True):
        with place:
            for column in part:
                _row(column, headings, guess, key, found)


def _row(column: Column, headings: list[str], guess: ColumnMap, key: str, found: _Found) -> None:
    """One of our columns: its heading (two for a time), its unit where it has some, or one value for all rows."""
    columns, units, constants = found.columns, found.units, found.constants
    offered = [one for one in dict.fromkeys(headings) if one]
    guessed = [one for one in guess.columns.get(column.name, ()) if one in offered]
    with st.container(horizontal=True, vertical_alignment="bottom"):
        label = f"{column.name}{f' ({column.unit})' if column.unit not in ('', '1') else ''}"
        if column.type == _TWO_PARTS:
            picked = st.multiselect(
                label,
                offered,
                default=guessed,
                max_selections=2,
                key=f"{key}-{column.name}",
                width=260,
                placeholder="heading, or date and time",
                help=column.help or None,
            )
        else:
            one = st.selectbox(
                label,
                offered,
                index=offered.index(guessed[0]) if guessed else None,
                key=f"{key}-{column.name}",
                width=260,
                placeholder="no heading",
                help=column.help or None,
            )
            picked = [one] if one else []
        if picked:
            columns[column.name] = tuple(picked)
            if column.name in UNITS:
                choices = list(dict.fromkeys([*UNITS[column.name][1], *filter(None, [guess.units.get(column.name)])]))
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
