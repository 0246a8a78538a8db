"""Rows that wait: why, what to do, mended here or in a file, released, or closed with a reason."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
import streamlit as st

from analytics.errors import UserError
from dashboard.parts import person, values
from dashboard.seam import act_import, intake
from dashboard.seam.intake import Uploads

MOST_MENDED = 200


def show() -> None:
    """The held rows, one table at a time."""
    _told()
    rows = intake.held()
    if rows.empty:
        st.success("No row is held: everything that was loaded is in the records.", icon=":material/task_alt:")
        return
    st.markdown(
        f"**{values.count(len(rows), 'row')} held.** Each waits until it is mended and released, or closed with a "
        "reason; none is dropped."
    )
    kinds = sorted(rows["kind"].astype(str).unique())
    with st.container(horizontal=True, vertical_alignment="bottom"):
        kind = st.selectbox("Table", kinds, key="held_kind", bind="query-params", width=200)
        of_kind = rows[rows["kind"] == kind]
        reasons = st.multiselect(
            "Reason", sorted(of_kind["reason"].unique()), key="held_reason", placeholder="all reasons", width=420
        )
        st.download_button(
            "Export as CSV",
            lambda: intake.held_csv(None),
            file_name="held.csv",
            mime="text/csv",
            icon=":material/download:",
            on_click="ignore",
            help="Mend it in a spreadsheet, then give it back below: it knows its rows.",
        )
    chosen = of_kind[of_kind["reason"].isin(reasons)] if reasons else of_kind
    _mend(chosen.head(MOST_MENDED), len(chosen))
    _give_back()


def _mend(rows: pd.DataFrame, every: int) -> None:
    """The rows as an editable table; what was changed is what is mended."""
    cells = pd.DataFrame([_cells(one) for one in rows["cells"]], index=rows["held_id"].astype(int)).fillna("")
    table = pd.concat(
        [rows.set_index(cells.index)[["file", "row", "column", "reason", "hint"]], cells.add_prefix("· ")], axis=1
    )
    table.insert(0, "take", False)
    if every > len(rows):
        st.caption(f"The first {len(rows)} of {every} are shown; the export holds all.")
    edited = st.data_editor(
        table,
        hide_index=True,
        key=f"mend-{hash(tuple(cells.index))}",
        disabled=["file", "row", "column", "reason", "hint"],
        alt="Held rows; the columns with a dot can be mended",
        column_config={
            "take": st.column_config.CheckboxColumn("Take", pinned=True),
            "file": "File",
            "row": "Row",
            "column": "Column at fault",
            "reason": "Reason",
            "hint": "What to do",
        },
    )
    taken = [int(one) for one in edited.index[edited["take"]]]
    fixes = _fixes(cells, edited)
    taken += [one for one in fixes if one not in taken]
    st.caption(
        f"{values.count(len(taken), 'row')} taken, {values.count(len(fixes), 'of them mended', 'of them mended')}. "
        "A changed cell takes its row by itself."
    )
    with st.container(horizontal=True):
        new = st.checkbox("Register unknown probes", key="held_new")
        names = st.checkbox("A name nearly like a known one is really new", key="held_names")
        changes = st.checkbox(
            "Same counting, other numbers: take the new",
            key="held_changes",
            help="The old ones stay in the history.",
        )
    with st.container(horizontal=True, vertical_alignment="bottom"):
        by = person.name_field(key="person_held")
        reason = st.text_input("Why", key="held_why", placeholder="needed to close rows")
        release = st.button("Release", type="primary", icon=":material/input:", disabled=not (taken and by))
        close = st.button(
            "Close without loading", icon=":material/delete:", disabled=not (taken and by and reason.strip())
        )
    try:
        if release:
            report = act_import.release(
                taken, fixes, by=by, register_new=new, accept_names=names, accept_changes=changes, reason=reason
            )
            _tell(f"{report.stored} stored, {report.already_there} already there, {report.held_count} still held.")
        elif close:
            _tell(f"{values.count(act_import.close(taken, by=by, reason=reason), 'row')} closed.")
    except UserError as error:
        st.error(str(error), icon=":material/report:")


def _give_back() -> None:
    with st.expander("Give a mended export back", icon=":material/upload_file:"):
        file = st.file_uploader("The mended CSV", type=["csv"], key="mended")
        by = person.name_field(key="person_mended")
        if file is not None and st.button("Release its rows", disabled=not by, icon=":material/input:"):
            uploads = Uploads()
            try:
                report = act_import.release_file(uploads.path(file), by=by, register_new=False)
            except UserError as error:
                st.error(str(error), icon=":material/report:")
                return
            finally:
                uploads.clear()
            _tell(f"{report.stored} stored, {report.already_there} already there, {report.held_count} still held.")


def _tell(text: str) -> None:
    """Say it after the page is drawn anew."""
    st.session_state["held_told"] = text
    st.rerun()


def _told() -> None:
    if text := st.session_state.pop("held_told", ""):
        st.success(text, icon=":material/check:")


def _cells(cells: object) -> dict[str, str]:
    """The row's own cells by heading."""
    content: Any = json.loads(cells) if isinstance(cells, str) else cells
    return {str(name): "" if value is None else str(value) for name, value in dict(content or {}).items()}


def _fixes(before: pd.DataFrame, after: pd.DataFrame) -> dict[int, dict[str, str]]:
    """Changed cells by held row."""
    fixes: dict[int, dict[str, str]] = {}
    for name in before.columns:
        now = after[f"· {name}"].fillna("").astype(str)
        for held_id in before.index[(now != before[name].astype(str)).to_numpy()]:
            fixes.setdefault(int(held_id), {})[str(name)] = now.loc[held_id].strip()
    return fixes
