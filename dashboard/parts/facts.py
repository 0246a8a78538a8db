"""A short list of facts: what, and how much."""

from __future__ import annotations

import html
from collections.abc import Sequence

import streamlit as st


def show(rows: Sequence[tuple[str, str]]) -> None:
    """Term and value beside each other; texts are shown as they are, never read as markup."""
    body = "".join(f"<dt>{html.escape(term)}</dt><dd>{html.escape(value)}</dd>" for term, value in rows)
    st.html(f'<dl class="facts">{body}</dl>')
