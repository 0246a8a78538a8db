"""Tables under charts, and the fold that holds them."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st


def show_data(data: pd.DataFrame, *, key: str, name: str, columns: dict[str, Any] | None = None) -> None:
    """The fold under a chart: the numbers behind it, opened on demand, and as a CSV file.

    key:  unique on the page.
    name: what the table holds, for the file's name and for screen readers.
    """
    with st.expander("Show data", key=f"data-{key}", icon=":material/table:"):
        _table(data, key=key, name=name, columns=columns)


def show_several(tables: dict[str, pd.DataFrame], *, key: str, name: str) -> None:
    """The same for a figure of several parts: one fold, in which the part is chosen."""
    with st.expander("Show data", key=f"data-{key}", icon=":material/table:"):
        part = st.segmented_control(
            "Part",
            list(tables),
            default=next(iter(tables)),
            required=True,
            key=f"part-{key}",
            label_visibility="collapsed",
        )
        chosen = part or next(iter(tables))
        _table(tables[chosen], key=f"{key}-{chosen}", name=f"{name} {chosen}", columns=None)


def _table(data: pd.DataFrame, *, key: str, name: str, columns: dict[str, Any] | None) -> None:
    if data.empty:
        st.caption("No rows.")
        return
    st.dataframe(data, hide_index=True, column_config=columns, key=f"table-{key}", alt=name)
    download(data, key=key, name=name)


def download(data: pd.DataFrame, *, key: str, name: str) -> None:
    """The button that saves a table as a CSV file."""
    st.download_button(
        "Download as CSV",
        lambda: data.to_csv(index=False).encode(),  # made when asked for: one made with the page is gone with its next run
        file_name=f"{name.replace(' ', '-').replace(',', '')}.csv",
        mime="text/csv",
        key=f"csv-{key}",
        icon=":material/download:",
        on_click="ignore",
    )
