"""Tables under charts, and the fold that holds them."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st


def show_data(data: pd.DataFrame, *, key: str, name: str, columns: dict[str, Any] | None = None) -> None:
    """"Show data" under a chart: the numbers behind it, opened on demand, and as a CSV file.

    key:  unique on the page.
    name: what the table holds, for the file's name and for screen readers.
    """
    with st.expander("Show data", key=f"data-{key}", icon=":material/table:"):
        if data.empty:
            st.caption("No rows.")
            return
        st.dataframe(data, hide_index=True, column_config=columns, key=f"table-{key}", alt=name)
        st.download_button(
            "Download as CSV", data.to_csv(index=False).encode(), file_name=f"{name.replace(' ', '-')}.csv", mime="text/csv",
            key=f"csv-{key}", icon=":material/download:", on_click="ignore",
        )
