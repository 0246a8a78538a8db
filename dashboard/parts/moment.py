"""Looking at the fleet as it was on an earlier day: chosen once, carried by every link."""

from __future__ import annotations

import streamlit as st

from analytics import moment as site_clock
from dashboard.parts import values
from dashboard.seam import read


def picker() -> None:
    """The moment the page stands for, and a field to go back to an earlier day."""
    with st.popover(f"as of {values.day(read.moment())}", icon=":material/history_toggle_off:"):
        st.date_input(
            "Show the fleet as it was at the end of",
            value=None,
            key="earlier_day",
            max_value=site_clock.now(read.settings().site.time_zone).date(),
            format="YYYY-MM-DD",
            on_change=_go,
        )
        st.caption("Nothing that was recorded for a later time takes part. Times are site-local.")
        if st.query_params.get(read.AS_OF):
            st.button("Back to now", on_click=_now)


def note() -> None:
    """A line on every page while an earlier day is shown."""
    if st.query_params.get(read.AS_OF):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(
                f":material/history_toggle_off: **As it was on {values.moment(read.moment())}.** Later records take "
                "no part."
            )
            st.button("Back to now", on_click=_now, key="back-to-now")


def _go() -> None:
    day = st.session_state["earlier_day"]
    if day is not None:
        st.query_params[read.AS_OF] = f"{day:%Y-%m-%d}"


def _now() -> None:
    st.query_params.pop(read.AS_OF, None)
