"""The register of loans on the Service plan page: what the plan proposes, what is entered, bringing back, taking back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import partial

import pandas as pd
import streamlit as st

from analytics.advice.plan_result import Plan, ProposedLoan
from analytics.errors import UserError
from dashboard.parts import links, person, values
from dashboard.seam import planning, read


def show(look: read.Look, part: Plan) -> None:
    """The whole section."""
    st.header("Spares on loan", anchor="loans")
    _proposed(part)
    entries = planning.register()
    if entries.empty:
        st.caption("No loan was ever entered. A probe on loan covers the site it is at, and is fetched there.")
    else:
        _entries(entries)
    if _may():
        _enter(look)


def _may() -> bool:
    return planning.may_lend()


def _proposed(part: Plan) -> None:
    """What the plan would have lent, each to be entered by a press."""
    if not part.loans:
        return
    st.markdown("**Proposed**, so that each site keeps its fit probes:")
    for n, one in enumerate(part.loans):
        links.sentence(
            f"{links.inline('probe', one.probe, probe=one.probe)} of {links.escape(one.from_site)} to "
            f"**{links.escape(one.to_site)}**, {values.day(one.from_on)} to {values.day(one.to_on)}: "
            f"{links.escape(one.why)}."
        )
        if _may() and st.button("Enter this loan", key=f"propose-{n}", icon=":material/sync_alt:"):
            _do(partial(_take_up, one))
    if _may() and not person.name():
        person.name_field(key="person_proposed")


def _take_up(one: ProposedLoan) -> None:
    planning.lend_as_proposed(one, by=person.name())


def _do(act: Callable[[], object]) -> None:
    """Write, and show the page anew; or say what is wrong."""
    try:
        act()
    except UserError as error:
        st.error(str(error), icon=":material/report:")
        return
    st.rerun()


def _entries(entries: pd.DataFrame) -> None:
    shown = entries.assign(
        story=[links.href("probe", probe=one) for one in entries["probe"]],
        state=["taken back" if one else "" for one in entries["taken_back"]],
    )
    picked = st.dataframe(
        shown,
        hide_index=True,
        key="loans",
        on_select="rerun",
        selection_mode="single-row",
        placeholder=values.DASH,
        alt="Register of loans",
        column_order=["probe", "story", "site", "from_on", "to_on", "by", "note", "state"],
        column_config={
            "probe": "Probe",
            "story": st.column_config.LinkColumn("Its story", display_text="open"),
            "site": "Lent to",
            "from_on": st.column_config.DateColumn("From", format="D MMM YYYY"),
            "to_on": st.column_config.DateColumn("To (open: –)", format="D MMM YYYY"),
            "by": "By",
            "note": "Note",
            "state": "",
        },
    )
    rows = picked.selection.rows
    if not _may():
        return
    if not rows:
        st.caption("Choose a row to bring that spare back or to take the entry back.")
        return
    entry = entries.iloc[rows[0]]
    number = int(entry["loan_id"])
    with st.form("change-loan"):
        st.markdown(f"**{links.escape(str(entry['probe']))}**, lent to {links.escape(str(entry['site']))}")
        last = st.date_input("Last day on loan", value=None, key="loan_last", format="YYYY-MM-DD", help="Empty: open.")
        by = person.name_field(key="person_loan_change")
        reason = st.text_input("Why", key="loan_change_why", max_chars=300)
        left, right = st.columns(2)
        ended = left.form_submit_button("Set the last day", icon=":material/event_available:")
        undone = right.form_submit_button("Take the entry back", icon=":material/undo:")
    if ended:
        _do(lambda: planning.end_loan(number, last if isinstance(last, date) else None, by=by, reason=reason))
    if undone:
        _do(lambda: planning.take_back(number, by=by, reason=reason))


def _enter(look: read.Look) -> None:
    probes = sorted(one.probe for one in look.assessment.probes)
    sites = sorted({one.site for one in look.assessment.probes})
    with st.expander("Enter a loan", icon=":material/add:"):
        if len(sites) < 2:
            st.info("A loan goes from one site to another; only one is known.", icon=":material/help:")
            return
        with st.form("enter-loan"):
            left, right = st.columns(2)
            with left:
                probe = st.selectbox("Spare", probes, index=None, key="loan_probe")
                site = st.selectbox("Lent to", sites, index=None, key="loan_site")
            with right:
                from_on = st.date_input("First day", value=look.as_of.date(), key="loan_from", format="YYYY-MM-DD")
                to_on = st.date_input("Last day", value=None, key="loan_to", format="YYYY-MM-DD", help="Empty: open.")
            note = st.text_input("Note: why", key="loan_note", max_chars=300)
            by = person.name_field(key="person_loan")
            if not st.form_submit_button("Enter", icon=":material/add:", type="primary"):
                return
    if not probe or not site or not isinstance(from_on, date):
        st.error("Choose the spare, the site and the first day.", icon=":material/report:")
        return
    last = to_on if isinstance(to_on, date) else None
    _do(lambda: planning.lend(str(probe), str(site), from_on, last, by=by, note=note))
