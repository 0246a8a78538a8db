"""What stands under every page: the cautions in short, and the data they were computed from."""

from __future__ import annotations

import streamlit as st

from dashboard.parts import links

CAUTION = (
    "Steadycount trends constancy checks. It does not clear a probe for a patient: the responsible physicist and "
    "local rules "
    "come first. Action and tolerance levels are site choices. Intervals are 90 %. What the records cannot carry is "
    "called undetermined."
)


def show() -> None:
    """The footer, with a link to the cautions in full."""
    with st.container(key="footer"):
        st.divider()
        st.caption(CAUTION)
        if "about" in st.session_state.get("pages", {}):
            links.to("about", "Cautions in full", icon=":material/info:")
