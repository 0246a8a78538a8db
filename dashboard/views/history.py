"""History: who changed what, when and why; exclusions can be taken back; the chain can be checked."""

from __future__ import annotations

import streamlit as st

from analytics.errors import UserError
from dashboard.parts import links, person, start, values
from dashboard.seam import act, changes, read

PARTS = ("All changes", "Exclusions", "Corrections", "Is it whole?")


def show() -> None:
    """The part of the page that the address names."""
    st.title("History")
    if not read.exists():
        start.ready()
        return
    part = st.segmented_control(
        "Part", PARTS, default=PARTS[0], key="part", bind="query-params", label_visibility="collapsed", required=True
    )
    if part == "Exclusions":
        _exclusions()
    elif part == "Is it whole?":
        _chain()
    else:
        _changes(only="corrected" if part == "Corrections" else None)


def _changes(only: str | None) -> None:
    every = changes.many()
    if every == 0:
        st.info("Nothing was changed yet: the first load begins the history.", icon=":material/history:")
        return
    pages = max(1, -(-every // changes.PAGE))
    page = 1
    with st.container(horizontal=True, vertical_alignment="bottom"):
        if pages > 1:
            page = st.number_input(
                "Page",
                min_value=1,
                max_value=pages,
                value=1,
                key="page",
                bind="query-params",
                width=120,
                help=f"{changes.PAGE} changes each, newest first",
            )
        found = changes.rows(offset=(int(page) - 1) * changes.PAGE)
        who = st.multiselect(
            "Who",
            sorted(found["by"].dropna().astype(str).unique()),
            key="who",
            bind="query-params",
            placeholder="everyone",
            width=260,
        )
        what = (
            [only]
            if only
            else st.multiselect(
                "What",
                sorted(found["what"].unique()),
                key="what",
                bind="query-params",
                placeholder="everything",
                width=320,
            )
        )
        text = st.text_input(
            "Containing", key="text", bind="query-params", placeholder="a probe, a word", width=260, live="0.4s"
        )
    rows = changes.chosen(found, who=who, what=what, text=text or "")
    st.markdown(
        f"**{values.count(len(rows), 'change')}** of {every}"
        + (f", page {page} of {pages}" if pages > 1 else "")
        + ", newest first."
    )
    if rows.empty:
        st.caption("None fits these filters.")
        return
    picked = st.dataframe(
        rows[["changed_at", "by", "what", "subject", "difference", "reason", "revision"]],
        hide_index=True,
        key="changes",
        on_select="rerun",
        selection_mode="single-row",
        height="auto" if len(rows) < 10 else 640,
        alt="Changes, newest first",
        column_config={
            "changed_at": st.column_config.DatetimeColumn("When", format="D MMM YYYY HH:mm:ss"),
            "by": "Who",
            "what": "What",
            "subject": "On",
            "difference": st.column_config.TextColumn("Before → after", width="large"),
            "reason": "Why",
            "revision": st.column_config.NumberColumn("Revision", format="%d"),
        },
    )
    st.caption("Mark a row to see it in full.")
    for number in picked.selection.rows:
        _in_full(rows.iloc[number])


def _in_full(row) -> None:  # noqa: ANN001 - a pandas row
    with st.container(border=True):
        st.markdown(
            f"**Revision {row['revision']}**: {row['what']}, {links.escape(str(row['subject']))}, by "
            f"{links.escape(str(row['by']))} "
            f"on {values.moment(row['changed_at'])}"
            + (f". Why: {links.escape(str(row['reason']))}" if row["reason"] else ".")
        )
        before, after = st.columns(2)
        before.caption("Before")
        before.code(_pretty(row["before"]), language="json", wrap_lines=True)
        after.caption("After")
        after.code(_pretty(row["after"]), language="json", wrap_lines=True)
        st.caption(f"Hash of this row, over its content and the hash before it: {row['hash']}")


def _pretty(text: object) -> str:
    import json

    if not isinstance(text, str) or not text:
        return values.DASH
    try:
        return json.dumps(json.loads(text), indent=1, ensure_ascii=False)
    except ValueError:
        return text


def _exclusions() -> None:
    rows = changes.exclusions()
    if rows.empty:
        st.info(
            "No reading is excluded: every count that was loaded takes part. A reading is excluded on the page of "
            "its probe, with a reason.",
            icon=":material/visibility:",
        )
        return
    st.markdown(
        f"**{values.count(len(rows), 'reading')} excluded.** They are hidden from the analysis and shown hollow on "
        "the chart. "
        "Mark those that shall take part again."
    )
    picked = st.dataframe(
        rows[
            [
                "probe",
                "taken_at",
                "window",
                "measurement",
                "counts",
                "count_time_s",
                "by",
                "excluded_at",
                "reason",
                "reading_id",
            ]
        ],
        hide_index=True,
        key="exclusions",
        on_select="rerun",
        selection_mode="multi-row",
        alt="Excluded readings",
        column_config={
            "probe": "Probe",
            "taken_at": st.column_config.DatetimeColumn("Taken at", format="D MMM YYYY HH:mm"),
            "window": "Window",
            "measurement": "Measurement",
            "counts": "Counts",
            "count_time_s": "Time, s",
            "by": "Excluded by",
            "excluded_at": st.column_config.DatetimeColumn("When", format="D MMM YYYY HH:mm"),
            "reason": "Why",
            "reading_id": st.column_config.NumberColumn("Reading", format="%d"),
        },
    )
    marked = rows.iloc[picked.selection.rows]
    if marked.empty:
        return
    with st.form("include"):
        by = person.name_field(key="person_include")
        reason = st.text_input("Why", placeholder="such as: the jig was right after all")
        if st.form_submit_button(f"Take {values.count(len(marked), 'exclusion')} back", icon=":material/undo:"):
            try:
                act.include([int(one) for one in marked["reading_id"]], by=by, reason=reason)
            except UserError as error:
                st.error(str(error), icon=":material/report:")
                return
            st.rerun()


def _chain() -> None:
    state = changes.chain(verify=False)
    st.markdown(
        f"The history has **{values.count(state.length, 'change')}**. Each row carries a hash over itself and the "
        "hash of the row before it, "
        "so that a later edit of any row shows."
    )
    st.code(state.head or values.DASH, language=None, wrap_lines=True)
    st.caption(
        "This is the head of the chain. It is printed on each report and backup: compare it with an earlier print. "
        "Whoever holds the file "
        "could rebuild a chain that no one has witnessed; a print in other hands is what guards against that."
    )
    if st.button("Check everything now", icon=":material/verified:", type="primary"):
        with st.spinner("Checking the store …"):
            checked = changes.chain(verify=True)
        if checked.problems:
            st.error(f"{values.count(len(checked.problems), 'problem')} found:", icon=":material/report:")
            for one in checked.problems[:50]:
                st.markdown(f"- {links.escape(one)}")
        else:
            st.success(
                "Sound: every hash follows from the row before it, and every table agrees with its history.",
                icon=":material/verified:",
            )


if __name__ == "__main__":
    show()
