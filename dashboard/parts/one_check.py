"""One check under the glass: its countings with file and row, the way to its number, hiding one with a reason."""

from __future__ import annotations

from functools import partial
from typing import Any

import pandas as pd
import streamlit as st

from analytics.errors import UserError
from analytics.named_rows import named_rows
from analytics.results import SeriesResult
from dashboard.parts import links, person, values
from dashboard.seam import act, keep, read, steps

AT = "at"  # query parameter: the check that is looked at


@st.fragment
def show(look: read.Look, series: SeriesResult, points: pd.DataFrame, pressed: str | None) -> None:
    """The check that was pressed in the figure, else the one in the address, else the last.

    points:  those of the series. pressed: ``check_at`` as ISO text, or None.
    """
    if points.empty:
        return
    st.header("One check, and how its number came about", anchor="check")
    names = points["check_at"].dt.strftime("%Y-%m-%dT%H:%M:%S").tolist()[::-1]
    if pressed in names and st.session_state.get("last_pressed") != (series.index, pressed):
        st.session_state["last_pressed"] = (series.index, pressed)
        st.session_state[AT] = pressed
    if st.session_state.get(AT, st.query_params.get(AT)) not in names:
        st.session_state[AT] = None
    chosen = st.selectbox(
        "Check taken at (site-local)",
        names,
        index=None,
        placeholder="the newest",
        key=AT,
        bind="query-params",
        width=320,
    )
    place = len(names) - 1 - (names.index(chosen) if chosen else 0)
    point = next(named_rows(points.iloc[place : place + 1]))
    build = partial(steps.account, look.records, look.settings, series, point, look.as_of)
    found = keep.kept(look, build, "account", series.index, point.check)
    way, rows = st.columns([4, 5], gap="large")
    with way:
        if found.steps:
            st.table(
                pd.DataFrame([(s.name, s.how, s.value) for s in found.steps], columns=["Step", "How", "Result"]),
                border="horizontal",
                hide_index=True,
                alt="From the counts to the charted number, step by step",
            )
            st.caption("± is one standard uncertainty (k=1), from counting alone.")
        else:
            st.caption("No source counting of this check could be worked out.")
        for text in found.remarks:
            st.caption(links.escape(text))
    with rows:
        st.dataframe(
            found.countings.dropna(axis="columns", how="all").assign(role=found.countings["role"].str.replace("_", " ")),
            hide_index=True,
            placeholder=values.DASH,
            key="countings",
            alt="The countings of this check",
            column_config={
                "reading_id": None,
                "jig": "jig",
                "readout": "control unit",
                "temperature_c": "temperature, °C",
                "battery_pct": "battery, %",
                "on_minutes": "min since switch-on",
                "taken_at": st.column_config.DatetimeColumn("taken at", format="D MMM YYYY HH:mm:ss"),
                "rate_cps": st.column_config.NumberColumn("rate, cps", format="%.2f"),
                "count_time_s": "time, s",
                "file": "file",
                "row": "row",
            },
        )
        _exclude(found.countings)


def _exclude(countings: pd.DataFrame) -> None:
    """Hide countings from the analysis, or take that back; with a name and a reason."""
    hidden = bool(countings["excluded"].any())
    with st.popover(
        "Take back an exclusion" if hidden else "Exclude from the analysis",
        icon=":material/visibility_off:",
        key=f"exclude-{countings['reading_id'].min()}-{hidden}",  # another one after each, since only that closes it
    ):
        st.caption(
            "An excluded counting stays on record and on the chart, hollow. It can be taken back at any time; both "
            "stand in the history."
        )
        offered = countings[countings["excluded"]] if hidden else countings
        which = f"{countings['reading_id'].min()}-{'back' if hidden else 'out'}"
        said = {int(c.reading_id): _named(c) for c in named_rows(offered)}
        own = [int(c.reading_id) for c in named_rows(offered) if c.role == "source"]
        ids = st.multiselect(
            "Countings", list(said), default=own or list(said), format_func=said.__getitem__, key=f"exclude-ids-{which}"
        )
        hint = "source not seated, wrong window, …"
        reason = st.text_input("Reason", key=f"exclude-reason-{which}", max_chars=300, placeholder=hint)
        by = person.name_field(key="exclude-by")
        if st.button(
            "Take back" if hidden else "Exclude",
            key="exclude-now",
            disabled=not (ids and by and reason.strip()),
            type="primary",
            help=None if by and reason.strip() else "Needs a reason and your name.",
        ):
            try:
                (act.include if hidden else act.exclude)(ids, by=by, reason=reason)
            except UserError as error:
                st.error(str(error))
            else:
                st.rerun()


def _named(counting: Any) -> str:
    """One counting in a list to choose from."""
    role = str(counting.role).replace("_", " ")
    return f"{role}, {values.whole(counting.counts, 'counts')}, row {counting.row} of {counting.file}"
