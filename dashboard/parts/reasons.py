"""Reasons as a tight list."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from dashboard.parts.links import escape


def show(reasons: Sequence[str], *, missing: Sequence[str] = (), notes: Sequence[str] = ()) -> None:
    """What is missing first, then the reasons, then remarks on the series, in one list; nothing where there is none."""
    lines = [f"- **Missing:** {escape(one)}" for one in missing]
    lines += [f"- {escape(one)}" for one in reasons]
    lines += [f"- *{escape(one)}*" for one in notes]
    if lines:
        st.markdown("\n".join(lines))
