"""The list of loads, each with what it brought, and the way to take one back."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
import streamlit as st

from analytics.errors import UserError
from dashboard.parts import person, values
from dashboard.seam import act_import, intake


def show() -> None:
    """All loads, newest first; the one that is marked can be undone."""
    rows = intake.loads()
    if rows.empty:
        st.info("Nothing was loaded yet.", icon=":material/inbox:")
        return
    standing = rows["undone_at"].isna()
    st.markdown(
        f"{values.count(len(rows), 'load')}, "
        f"{values.count(int((~standing).sum()), 'of them taken back', 'of them taken back')}. "
        "Mark one to take it back."
    )
    shown = rows.assign(
        state=["stands" if one else "taken back" for one in standing], files=[_names(one) for one in rows["files"]]
    )
    picked = st.dataframe(
        shown[
            [
                "load",
                "loaded_at",
                "by",
                "files",
                "rows",
                "stored",
                "already_there",
                "held",
                "state",
                "undone_by",
                "undone_at",
                "undo_reason",
            ]
        ],
        hide_index=True,
        key="loads",
        on_select="rerun",
        selection_mode="single-row",
        alt="Loads, newest first",
        placeholder=values.DASH,
        column_config={
            "load": st.column_config.NumberColumn("Load", format="%d"),
            "loaded_at": st.column_config.DatetimeColumn("When", format="D MMM YYYY HH:mm"),
            "by": "Who",
            "files": "Files",
            "rows": "Rows",
            "stored": "New",
            "already_there": "Already there",
            "held": "Held",
            "state": "State",
            "undone_by": "Taken back by",
            "undone_at": st.column_config.DatetimeColumn("When taken back", format="D MMM YYYY HH:mm"),
            "undo_reason": "Why",
        },
    )
    for number in picked.selection.rows:
        _undo(rows.iloc[number])


def _undo(row: pd.Series) -> None:
    if pd.notna(row["undone_at"]):
        st.info(
            f"Load {row['load']} was taken back by {row['undone_by']} on {values.day(row['undone_at'])}: "
            f"{row['undo_reason'] or 'no reason given'}. "
            "The same file can be loaded anew.",
            icon=":material/undo:",
        )
        return
    with st.form("undo"):
        st.markdown(
            f"**Take load {row['load']} back**: {row['stored']} rows leave the analysis. The history keeps that "
            "they were there."
        )
        by = person.name_field(key="person_undo")
        reason = st.text_input("Why", placeholder="such as: wrong file")
        if st.form_submit_button("Take it back", icon=":material/undo:"):
            try:
                many = act_import.undo(int(row["load"]), by=by, reason=reason)
            except UserError as error:
                st.error(str(error), icon=":material/report:")
                return
            st.toast(f"{many} rows taken back.")
            st.rerun()


def _names(files: object) -> str:
    """The files of a load (a JSON list in the store) in a row."""
    named: Any = json.loads(files) if isinstance(files, str) else files or []
    return ", ".join(str(one.get("file", one) if isinstance(one, dict) else one) for one in named)
