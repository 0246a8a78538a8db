"""What a page says while there is nothing to show: what to do first."""

from __future__ import annotations

import streamlit as st

from dashboard.parts import links
from dashboard.seam import read
from dashboard.seam.place import store_path


def ready() -> bool:
    """True where the store holds readings; else the page says what to do first, and shows nothing more."""
    if not read.exists():
        st.info(
            f"There is no store yet at `{store_path()}`. Import a log and it is made, or look around first: "
            "`steadycount demo` makes an invented fleet in a store of its own.",
            icon=":material/flag:",
        )
    elif not read.records().readings.empty:
        return True
    elif not read.records().probes.empty:
        st.info(
            f"{len(read.records().probes)} probes are registered, and no reading yet. Import a log, or record a check.",
            icon=":material/flag:",
        )
    else:
        st.info(
            "This store is empty. Import the registries (probes, check sources, windows) and your log of readings, "
            "or look around first: `steadycount demo` makes an invented fleet in a store of its own.",
            icon=":material/flag:",
        )
    ways = [("import_log", "Import a log"), ("record", "Record a check"), ("about", "What this tool says")]
    if not read.exists() or read.records().probes.empty:
        del ways[1]  # no probe is there to be read
    with st.container(horizontal=True):
        for name, label in ways:
            if name in st.session_state.get("pages", {}):
                links.to(name, label, icon=":material/arrow_forward:")
    return False
