"""Other checks: visual, power, leak test, inventory, sensitivity and the like; what is due, what was kept, a place to enter."""

from __future__ import annotations

from datetime import date, datetime, time
from functools import partial

import streamlit as st

from analytics import moment as clock
from analytics.advice.other_checks import PROBE_KINDS, SOON_DAYS, SOURCE_KINDS
from analytics.errors import UserError
from dashboard.figures.kept_months import kept_months
from dashboard.parts import chart, links, person, start, table, values
from dashboard.parts.check_states import STATE
from dashboard.parts.words import as_on_pages
from dashboard.seam import inspecting, keep, read

PARTS = ("What is due", "By site and month", "Enter one", "On record")
UNDONE = "inspection_entered"  # what was entered last, so that it can be taken back


def show() -> None:
    """The part of the page that the address names."""
    st.title("Other checks")
    if not read.exists() or read.records().probes.empty:
        start.ready()
        return
    look = read.newest()
    part = st.segmented_control(
        "Part", PARTS, default=PARTS[0], key="part", bind="query-params", label_visibility="collapsed", required=True
    )
    {PARTS[0]: _due, PARTS[1]: _months, PARTS[2]: _enter, PARTS[3]: _record}[str(part)](look)


def _due(look: read.Look) -> None:
    found = inspecting.due(look)
    if found.empty:
        st.info(
            "No such check is on record and no interval is set, so nothing is due. Intervals are the site's to set.",
            icon=":material/event_available:",
        )
        _to_intervals()
        return
    urgent = int(found["state"].isin(["failed", "asked_for", "past_due"]).sum())
    soon = int((found["state"] == "due_soon").sum())
    links.sentence(
        f"**{values.count(urgent, 'check')} of {len(found)} {'wants' if urgent == 1 else 'want'} doing now**, and {soon} "
        f"{'is' if soon == 1 else 'are'} due or will be within {SOON_DAYS} d. Intervals are the site's to set "
        f"({links.inline('settings', 'schedule', section='schedule')}); leak tests and inventory follow local law."
    )
    with st.container(horizontal=True, vertical_alignment="bottom"):
        site = st.multiselect("Site", sorted(found["site"].unique()), key="site", bind="query-params", width=260,
                              placeholder="all sites")  # fmt: skip
        kind = st.multiselect(
            "Kind", sorted(found["kind"].unique()), key="kind", bind="query-params", width=320,
            placeholder="all kinds", format_func=lambda one: one.replace("_", " "),
        )
        state = st.multiselect(
            "State", [one for one in STATE if (found["state"] == one).any()], key="state", bind="query-params", width=320,
            format_func=lambda one: STATE[one], placeholder="all states",
        )
    for column, wanted in (("site", site), ("kind", kind), ("state", state)):
        if wanted:
            found = found[found[column].isin(wanted)]
    if found.empty:
        st.caption("None fits these filters.")
        return
    shown = found.assign(
        state=found["state"].map(STATE),
        kind=found["kind"].str.replace("_", " "),
        why=found["why"].map(as_on_pages),
        story=[
            of_probe if which == "probe" else of_source
            for which, of_probe, of_source in zip(
                found["subject_kind"], links.hrefs("probe", "probe", found["subject"]), links.hrefs("sources", "name", found["subject"]),
                strict=True,
            )
        ],
    )
    st.dataframe(
        shown[["state", "subject", "kind", "due_on", "story", "site", "last_on", "last_result", "why"]],
        hide_index=True,
        key="due",
        placeholder=values.DASH,
        height="auto" if len(shown) < 12 else 560,
        alt="Checks that are not countings, by what wants doing first",
        column_config={
            "state": "State",
            "subject": "Probe or source",
            "story": st.column_config.LinkColumn("Story", display_text="open", width="small"),
            "site": "Site",
            "kind": "Check",
            "due_on": st.column_config.DateColumn("Due", format="D MMM YYYY", width="small"),
            "last_on": st.column_config.DateColumn("Last", format="D MMM YYYY", width="small"),
            "last_result": "Result",
            "why": st.column_config.TextColumn("Why", width="large"),
        },
    )


def _to_intervals() -> None:
    """Where intervals are set; in a box of a sentence a link would open another tab."""
    links.to("settings", "Set the intervals", icon=":material/tune:", section="schedule")


def _months(look: read.Look) -> None:
    if inspecting.kept_by_month(look, 3).empty:  # of no number of months is there anything to show
        st.info(
            "No interval is set, so there is nothing to hold the records against.", icon=":material/event_available:"
        )
        _to_intervals()
        return
    months = int(st.slider("Months", 3, 36, 12, key="months", bind="query-params", width=320))
    found = inspecting.kept_by_month(look, months)
    chart.show(
        keep.kept(look, partial(kept_months, found), "kept-months", months),
        kept=True,
        key="kept-months",
        alt="How many probes and sources of each site were in date, by kind of check and month.",
    )
    st.caption("In date at the end of the month: done not longer ago than the interval that is set now.")
    table.show_data(found, key="kept-months", name="checks in date by site and month")


def _enter(look: read.Look) -> None:
    if kept := st.session_state.get(UNDONE):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.success(f"Entered: {kept[1]}.", icon=":material/check:")
            if st.button("Take it back", icon=":material/undo:"):
                try:
                    inspecting.undo(kept[0], by=person.name() or kept[2])
                except UserError as error:
                    st.error(str(error), icon=":material/report:")
                    return
                del st.session_state[UNDONE]
                st.rerun()
    which = st.segmented_control("On a", ("probe", "source"), default="probe", key="on", bind="query-params", required=True)
    names = sorted(look.records.probes["probe"] if which == "probe" else look.records.sources["source"])
    if not names:
        st.info("None is registered.", icon=":material/help:")
        return
    with st.form("enter-inspection"):
        left, right = st.columns(2)
        with left:
            subject = st.selectbox(str(which).capitalize(), names, index=None, key="subject", placeholder="choose or type")
            kind = st.selectbox(
                "Check", PROBE_KINDS if which == "probe" else SOURCE_KINDS, index=None, key="kind_done", placeholder="choose one",
                format_func=lambda one: one.replace("_", " "),
            )  # fmt: skip
            day = st.date_input(
                "Done on", value=look.as_of.date(), max_value=look.as_of.date(), key="done_on", format="YYYY-MM-DD"
            )
            result = st.selectbox(  # no answer beforehand: nothing shall have passed by mistake
                "Result", inspecting.RESULTS, index=None, key="result", placeholder="choose one",
                format_func=lambda one: one or "no verdict",
            )  # fmt: skip
        with right:
            value = st.number_input("Value measured", value=None, format="%g", key="value", placeholder="none")
            unit = st.text_input("Unit", key="unit", placeholder="cps/kBq, Bq, mm, %, …", max_chars=30)
            nuclide = st.text_input("Nuclide", key="nuclide", placeholder="such as Tc-99m", max_chars=20)
            note = st.text_input("Note", key="note", max_chars=300)
        by = person.name_field(key="person_inspection")
        if st.form_submit_button("Enter", icon=":material/add:", type="primary"):
            if not subject or kind is None or result is None or not isinstance(day, date):
                st.error(f"Choose the {which}, the check, the day and the result.", icon=":material/report:")
                return
            at = min(datetime.combine(day, time(12)), look.as_of, clock.now(look.settings.site.time_zone))
            try:
                done = inspecting.enter(
                    str(which), str(subject), done_at=at, kind=str(kind), by=by, result=result, value=value,
                    unit=unit.strip(), nuclide=nuclide.strip(), note=note.strip(),
                )  # fmt: skip
            except UserError as error:
                st.error(str(error), icon=":material/report:")
                return
            st.session_state[UNDONE] = (done.load, f"{str(kind).replace('_', ' ')} of {subject} on {day}", by)
            st.rerun()


def _record(look: read.Look) -> None:
    found = inspecting.on_record(look)
    if found.empty:
        st.info("None is on record. Enter one here, or load a table of inspections on the Import page.")
        return
    text = st.text_input("Containing", key="text", bind="query-params", placeholder="a probe, a kind, a person", width=260)
    if text:
        whole = found.astype("str").fillna("").agg(" ".join, axis=1).str.lower()  # an empty cell stays empty as text
        found = found[whole.str.contains(text.lower(), regex=False)]
    st.dataframe(
        found.assign(kind=found["kind"].astype("str").str.replace("_", " ")),
        hide_index=True,
        key="record",
        placeholder=values.DASH,
        height="auto" if len(found) < 12 else 560,
        alt="Inspections on record, newest first",
        column_config={
            "probe": "Probe",
            "source": "Source",
            "done_at": st.column_config.DatetimeColumn("Done", format="D MMM YYYY HH:mm"),
            "kind": "Check",
            "result": "Result",
            "value": st.column_config.NumberColumn("Value", format="%.4g"),
            "unit": "Unit",
            "nuclide": "Nuclide",
            "person": "Person",
            "note": st.column_config.TextColumn("Note", width="medium"),
        },
    )
    st.caption(f"{values.count(len(found), 'entry', 'entries')}. A mistaken one is undone with its load, on the Import page.")


if __name__ == "__main__":
    show()
