"""Import: rehearse a load, see what becomes of every row, load exactly that; take loads back, mend held rows."""

from __future__ import annotations

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from analytics.errors import UserError
from dashboard.parts import held_rows, links, load_list, map_editor, person, start, values
from dashboard.seam import act_import, intake, read
from dashboard.seam.intake import Request, Uploads

PARTS = ("Load", "Held rows", "Loads")
OURS, BUILD = "headings as they are", "build one from the first rows"
TYPES = ["csv", "tsv", "txt", "xlsx", "parquet"]


def show() -> None:
    """The part of the page that the address names."""
    st.title("Import")
    part = st.segmented_control(
        "Part", PARTS, default=PARTS[0], key="part", bind="query-params", label_visibility="collapsed", required=True
    )
    if part == "Held rows":
        if read.exists():
            held_rows.show()
        else:
            start.ready()
    elif part == "Loads":
        if read.exists():
            load_list.show()
        else:
            start.ready()
    else:
        _load()


def _load() -> None:
    """From files to a rehearsal to a load."""
    _done()
    if not read.exists() or read.records().readings.empty:
        st.info(
            "First the registries, then the log, or all at once: **probes** (probe, site), **sources** (source, "
            "nuclide, reference_at), "
            "**windows**, **readings** (probe, taken_at, window, measurement, counts, count_time_s, source). Files "
            "with other headings "
            "are read by a column map, which this page builds with you.",
            icon=":material/flag:",
        )
    else:
        st.caption(
            "A log of readings, or tables of probes, sources, windows, events, inspections, uses or outcomes: what a table is, "
            "is told from its columns. Nothing is stored before you have seen what would become of each row."
        )
    uploads = st.session_state.setdefault("uploads", Uploads())
    turn = st.session_state.setdefault("upload_turn", 0)
    files = st.file_uploader(
        "CSV, Excel or Parquet files; several are one load", type=TYPES, accept_multiple_files=True, key=f"files-{turn}"
    )
    if not files:
        return
    paths = tuple(uploads.path(one) for one in files)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        offered = [OURS, *intake.map_names(), BUILD]
        how = st.selectbox("Column map", offered, key="map", width=320)
        new = st.toggle(
            "Register probes that are not known yet",
            key="register_new",
            help="Otherwise rows of an unknown probe are held, with the nearest known name.",
        )
    try:
        request = _request(paths, how, uploads, register_new=bool(new))
        if request is None:
            return
        report = _rehearsal(request)
    except UserError as error:
        st.error(intake.own_names(str(error)).replace(" (--map)", ""), icon=":material/report:")
        if how == OURS:
            st.button("Build a column map", icon=":material/table_edit:", on_click=_build)
            st.caption(
                "For files with other headings, units, date order or decimal sign: it is built beside their first rows."
            )
        return
    _outcome(report)
    _commit(request, report)


def _request(paths, how: str, uploads: Uploads, *, register_new: bool) -> Request | None:  # noqa: ANN001 - tuple of paths
    """The load as it is asked for; with a map being built, only once that map can be used."""
    if how == OURS:
        return Request(paths, None, register_new)
    if how != BUILD:
        return Request(paths, how, register_new)
    tables = intake.previews(Request(paths))
    labels = [intake.own_names(one.file) for one in tables]
    chosen = (
        st.selectbox("Build it from", range(len(tables)), format_func=labels.__getitem__, key="map_from", width=420)
        if len(tables) > 1
        else 0
    )
    with st.container(border=True, key="map-editor"):
        column_map = map_editor.edit(tables[chosen], key=f"map-{labels[chosen]}")
        with st.container(horizontal=True, vertical_alignment="bottom"):
            name = st.text_input(
                "Keep this map as", key="map_name", placeholder="a name, such as: theatre log", width=320
            )
            by = person.name_field(key="person_map")
            if st.button("Keep", icon=":material/bookmark:", disabled=not (name and by)):
                act_import.save_map(name.strip(), column_map, by=by)
                st.toast(f"Kept as {name.strip()}.")
    return Request(paths, str(uploads.text("map.toml", column_map.to_toml())), register_new)


def _rehearsal(request: Request):  # noqa: ANN202 - a LoadReport
    """The rehearsal, once for the same files, map, options and revision."""
    content = (
        request.map_name
        if request.map_name is None or not request.map_name.endswith(".toml")
        else open_text(request.map_name)
    )
    key = (request.files, content, request.register_new, read.revision())
    kept = st.session_state.get("rehearsal")
    if kept is None or kept[0] != key:
        bar = st.progress(0.0, "Reading …")
        try:
            kept = (key, intake.rehearse(request, _moved(bar)))
        finally:
            bar.empty()
        st.session_state["rehearsal"] = kept
    return kept[1]


def _build() -> None:
    st.session_state["map"] = BUILD


def _moved(bar: DeltaGenerator) -> intake.Progress:
    """What moves a progress bar on."""

    def move(what: str, share: float) -> None:
        bar.progress(min(max(share, 0.0), 1.0), intake.own_names(what))

    return move


def open_text(path: str) -> str:
    """The text of a small file."""
    from pathlib import Path

    return Path(path).read_text(encoding="utf-8")


def _outcome(report) -> None:  # noqa: ANN001 - a LoadReport
    st.header("What this load would do")
    st.markdown(intake.in_words(report) + " Nothing is written yet.")
    st.dataframe(
        intake.outcome(report),
        hide_index=True,
        placeholder="–",
        alt="What becomes of the rows of each file",
        column_config={
            "file": "File",
            "kind": "Table",
            "rows": "Rows",
            "new": "New",
            "there": "Already there",
            "held": "Held",
        },
    )
    for one in (*report.registered, *report.notes):
        st.markdown(f"- {links.escape(intake.own_names(one))}")
    if report.held_count:
        st.markdown(
            f"**Held, by reason** ({values.count(report.held_count, 'row')}; they wait under “Held rows” and are "
            "never dropped)"
        )
        st.dataframe(
            intake.held_by_reason(report),
            hide_index=True,
            placeholder="–",
            alt="Held rows by reason",
            column_config={
                "many": st.column_config.NumberColumn("Rows", width="small"),
                "reason": "Reason",
                "example": "Such as",
                "hint": "What to do",
            },
        )
        with st.expander("Row by row", icon=":material/list:"):
            st.dataframe(
                intake.held_rows(report),
                hide_index=True,
                placeholder="–",
                alt="Held rows",
                column_config={
                    "file": "File",
                    "row": "Row",
                    "column": "Column",
                    "value": "Value",
                    "reason": "Reason",
                    "hint": "What to do",
                },
            )


def _commit(request: Request, rehearsed) -> None:  # noqa: ANN001 - a LoadReport
    if rehearsed.stored == 0 and rehearsed.held_count == 0:
        st.info(
            "Everything in these files is in the records already: there is nothing to load.",
            icon=":material/content_copy:",
        )
        return
    with st.container(horizontal=True, vertical_alignment="bottom", key="commit"):
        by = person.name_field()
        pressed = st.button(
            "Load exactly this",
            type="primary",
            icon=":material/input:",
            disabled=not by,
            help=None if by else "Give your name first; it stands beside the load.",
        )
    if not pressed:
        return
    bar = st.progress(0.0, "Loading …")
    report = act_import.commit(request, by=by, progress=_moved(bar))
    bar.empty()
    st.session_state["loaded"] = (report, intake.difference(rehearsed, report), intake.names_in(request.files))
    st.session_state["uploads"].clear()
    del st.session_state["uploads"]
    st.session_state["upload_turn"] += 1
    st.session_state.pop("rehearsal", None)
    st.rerun()


def _done() -> None:
    """What the last load did, until the next one."""
    if "loaded" not in st.session_state:
        return
    report, differs, names = st.session_state["loaded"]
    number = f"Load {report.load}" if report.load is not None else "Nothing was added"
    st.success(f"{number}: {links.escape(names)}. {intake.in_words(report)}", icon=":material/check:")
    if differs:
        st.warning(differs, icon=":material/difference:")
    with st.container(horizontal=True):
        links.to("fleet", "See the fleet", icon=":material/arrow_forward:")
        links.to("alerts", "See the alerts", icon=":material/arrow_forward:")
        if report.held_count:
            links.to("import_log", "Mend the held rows", part="Held rows", icon=":material/build:")


if __name__ == "__main__":
    show()
