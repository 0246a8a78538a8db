"""Reasons as a tight list."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from dashboard.parts.links import escape
from dashboard.parts.words import as_on_pages


def said(sentence: str) -> str:
    """A sentence of the analysis as the pages word it, safe inside Markdown."""
    return escape(as_on_pages(sentence))


def show(reasons: Sequence[str], *, missing: Sequence[str] = (), notes: Sequence[str] = ()) -> None:
    """What is missing first, then the reasons, then remarks on the series, in one list; nothing where there is none.

    A remark that is among the reasons is not said again.
    """
    lines = [f"- **Missing:** {said(one)}" for one in missing]
    lines += [f"- {said(one)}" for one in reasons]
    lines += [f"- *{said(one)}*" for one in notes if one not in reasons]
    if lines:
        st.markdown("\n".join(lines))
