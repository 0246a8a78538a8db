"""How a figure is put on a page: the same tool bar, no outside link, a description for those who cannot see it."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go
import streamlit as st

_CONFIG = {
    "displaylogo": False,
    "showSendToCloud": False,
    "displayModeBar": "hover",
    "scrollZoom": False,
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d"],
}


def show(figure: go.Figure, *, key: str, alt: str, select: bool = False, kept: bool = False) -> Any:
    """Draw a figure; with ``select`` the picked points come back (``.selection.points``).

    alt: one sentence that says what the figure shows, for screen readers. kept: it is one that is kept for every visitor
    (``seam.keep``) and never changed, so that its copy for the browser is made once.
    """
    if kept and "to_dict" not in vars(figure):
        made = figure.to_dict()
        object.__setattr__(figure, "to_dict", lambda: made)
    config = dict(_CONFIG, toImageButtonOptions={"format": "svg", "filename": key})
    if select:
        return st.plotly_chart(figure, key=key, alt=alt, config=config, on_select="rerun", selection_mode="points")
    return st.plotly_chart(figure, key=key, alt=alt, config=config)
