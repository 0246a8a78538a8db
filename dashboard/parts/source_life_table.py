"""The table of how long to count on each source, until when it serves, and what to order."""

from __future__ import annotations

from functools import partial

import streamlit as st

from analytics.advice.source_life import source_life
from dashboard.parts import links, values
from dashboard.seam import keep, read


def show(look: read.Look) -> None:
    """Counting time for a precision that can be chosen, the days on which a source gets too weak, and the next one."""
    st.header("How long to count, and until when each serves", anchor="life")
    precision = st.number_input(
        "Precision of the net rate, % (k=1)",
        min_value=0.1,
        max_value=20.0,
        value=1.0,
        step=0.1,
        format="%g",
        key="precision",
        bind="query-params",
        width=260,
        help="From counting alone, the background counted as long; placing the source adds its own spread.",
    )
    found = keep.kept(
        look,
        partial(source_life, look.assessment, look.records, look.settings, float(precision)),
        "source-life",
        float(precision),
    )
    if found.empty:
        st.caption(f"{values.DASH} No source is in use.")
        return
    number, day = st.column_config.NumberColumn, partial(st.column_config.DateColumn, format="D MMM YYYY")
    st.dataframe(
        found,
        hide_index=True,
        placeholder=values.DASH,
        key="source-life",
        alt="Counting time, end of service and the next source, by source",
        column_config={
            "source": "Source",
            "nuclide": "Nuclide",
            "site": st.column_config.TextColumn("Site", width="medium"),
            "rate_now_cps": number("Net rate now, cps", format="%.0f"),
            "background_cps": number("Background, cps", format="%.1f"),
            "time_s": number(f"Count for {precision:g} %, s", format="%.1f"),
            "too_weak_10_s": day("3 % in 10 s until"),
            "too_weak_60_s": day("1 % in 60 s until"),
            "order_on": day("Order by"),
            "order_kbq": number("Order at most, kBq", format="%.0f"),
        },
    )
    links.sentence(
        "Order at most: the activity that starts at 10,000 cps on the probes read on it now, on the day it is first used; "
        f"order by: {look.settings.schedule.source_lead_days:g} d before "
        f"({links.inline('settings', 'schedule.source_lead_days', section='schedule')}) the old one no longer gives 3 % in 10 s. "
        "A radioactive source is ordered, received and disposed of under local rules."
    )
