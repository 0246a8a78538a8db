"""Everything that was said so far, with what a correction has taken back."""

from __future__ import annotations

import streamlit as st

from dashboard.parts import links, table, values
from dashboard.parts.words import as_on_pages
from dashboard.seam import read, said

WHEN = "D MMM YYYY HH:mm"


def show(look: read.Look) -> None:
    """The log as a table."""
    if st.query_params.get(read.AS_OF):
        st.info("The log is told against the answer of now: go back to now to see it.", icon=":material/history:")
        return
    st.markdown(
        "Every alert that was ever shown, entered when it was first seen, with the revision and the settings of that moment. "
        "Nothing is taken out again: what a correction has removed is marked with who made it and why."
    )
    rows = said.table(look.assessment, look.records)
    if rows.empty:
        st.info("Nothing was said so far: no alert has been shown.", icon=":material/check_circle:")
        return
    back = rows["stands"] != "stands"
    only = st.toggle(f"Withdrawn only ({int(back.sum())})", key="withdrawn", bind="query-params")
    chosen = rows[back] if only else rows
    st.markdown(
        f"{values.count(len(rows), 'alert')} since {values.day(rows['shown'].min())}, **{int(back.sum())} withdrawn**."
    )
    if only:
        for one in chosen.head(10).itertuples():
            st.markdown(f"- **{links.escape(str(one.what))}**, {links.escape(str(one.said))}  \n  {links.escape(str(one.stands))}")
    st.dataframe(
        chosen.assign(said=chosen["said"].astype("str").map(as_on_pages)),
        hide_index=True,
        key="said-so-far",
        alt="Alerts that were shown, newest first, with whether each still stands",
        column_config={
            "shown": st.column_config.DatetimeColumn("First shown", format=WHEN),
            "what": "On",
            "said": st.column_config.TextColumn("What was said", width="large"),
            "signalled": st.column_config.DatetimeColumn("Signalled", format=WHEN),
            "stands": st.column_config.TextColumn("Now", width="large"),
            "rule": "Rule",
            "episode": "Happening",
            "revision": st.column_config.NumberColumn("Revision", format="%d"),
            "settings": "Settings",
        },
    )
    table.download(rows, key="said", name="alerts said so far")
