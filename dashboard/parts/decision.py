"""How the advice on a probe came about, what would change it, what keeping it costs, and where a person decides otherwise."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pandas as pd
import streamlit as st

from analytics.advice.decision_facts import shown
from analytics.advice.decision_table import Row
from analytics.advice.decision_what_if import would_change
from analytics.errors import UserError
from analytics.results import ProbeResult
from dashboard.parts import links, person, values
from dashboard.parts.facts import show as show_facts
from dashboard.parts.words import PROBE, PROBE_ORDER
from dashboard.seam import overruling, read

OVERRULE, TAKE_BACK, CLEAR, TAKE_OUT = "Overrule the advice", "Take the overruling back", "Clear it", "Take it out of use"
DECIDED = "decided"  # in the visit's state: how often something was decided
FIRST_DAYS, LONGEST_DAYS = 90, 366
COSTS = {"keep, a year": "Keep it, a year", "replace, a year": "Replace it, a year", "not known": "Keep or replace"}
HELP = {
    OVERRULE: "The computed advice stays on the page and in every report; yours stands beside it up to the day you name. "
    "It frees no probe for patients.",
    TAKE_BACK: "The computed advice stands alone again; the overruling stays in the history.",
    CLEAR: "Fit for patients again, on a check that verifies it: counted after the alarm, with signal, within tolerance.",
    TAKE_OUT: "Not for patient use until a named person clears it.",
}


def overruled(probe: ProbeResult) -> None:
    """The overruling that stands, as a badge beside the computed advice; nothing where there is none."""
    one = probe.overrule
    if one is not None:
        until = f" until {values.day(one.until)}" if one.until else ""
        st.badge(f"overruled as {PROBE[one.advice].word}{until}", color="violet", icon=":material/gavel:")


def show(look: read.Look, probe: ProbeResult) -> None:
    """The fold under the verdict; open where the advice asks for something, or somebody overruled it."""
    loud = probe.advice in ("service", "retire") or probe.overrule is not None
    with st.expander(
        f"Service or retire: decided by \u201c{links.escape(probe.decided_by)}\u201d", expanded=loud, icon=":material/rule:"
    ):
        why, figures = st.columns([5, 4], gap="large")
        with why:
            st.markdown(f"**{PROBE[probe.advice].word.capitalize()}**, since {links.escape(probe.because)}.")
            otherwise = would_change(look.settings.decision.rows, probe.facts)
            if otherwise:
                st.markdown("\n".join(f"- {_said(one)}" for one in otherwise))
            else:
                st.caption("No single change that is near would give another advice.")
        with figures:
            _costs(probe)
        _decide(look, probe)
        _table(look, probe)


def _said(sentence: str) -> str:
    """A sentence with the advice named in it as the pages word it."""
    for advice, status in PROBE.items():
        sentence = sentence.replace(f"`{advice}`", f"{status.word}")
    return links.escape(sentence)


def _costs(probe: ProbeResult) -> None:
    st.markdown("**Keep or replace** (equivalent annual cost, site currency)")
    lines = [(COSTS[what], text.replace("`", "")) for what, text in probe.costs if what in COSTS]
    show_facts(lines or [("Keep or replace", values.DASH)])
    for what, text in probe.costs:
        if what == "assumed":
            st.caption(links.escape(text.replace("`", "")))


def _decide(look: read.Look, probe: ProbeResult) -> None:
    """Overrule, take back, clear, take out of use; each with a name and a reason, kept in the history."""
    kinds = [OVERRULE]
    if probe.overrule is not None:
        kinds.append(TAKE_BACK)
    kinds.append(CLEAR if probe.patient_use == "not_until_cleared" else TAKE_OUT)
    done = st.session_state.get(DECIDED, 0)  # a new popover after each, since only that closes it
    with st.popover("Decide otherwise", icon=":material/gavel:", key=f"decide-{done}"):
        kind = st.segmented_control("What", kinds, default=kinds[0], required=True, key="decide-kind") or kinds[0]
        st.caption(HELP[kind])
        if kind == CLEAR and not probe.clearing_verified:
            st.warning("No check since the alarm verifies it, so that a clearing now would clear nothing.")
            return
        advice, until = (_instead(look, probe)) if kind == OVERRULE else ("", None)
        reason = st.text_input("Reason", key="decide-reason", max_chars=300).strip()
        by = person.name_field(key="decide-by")
        lacking = [word for word, there in (("your name", by), ("a reason", reason), ("an advice", advice or kind != OVERRULE)) if not there]
        acts: dict[str, Callable[[], Any]] = {
            OVERRULE: lambda: overruling.overrule(probe.probe, advice, until, look.as_of.date(), by=by, reason=reason),
            TAKE_BACK: lambda: overruling.take_back(probe.probe, by=by, reason=reason),
            CLEAR: lambda: overruling.clear(probe.probe, by=by, reason=reason),
            TAKE_OUT: lambda: overruling.take_out(probe.probe, by=by, reason=reason),
        }
        if st.button(
            kind,
            key="decide-keep",
            type="primary",
            disabled=bool(lacking),
            help=f"Needs {' and '.join(lacking)}." if lacking else None,
        ):
            try:
                acts[kind]()
            except UserError as error:
                st.error(str(error))
            else:
                st.session_state[DECIDED] = done + 1
                st.rerun()


def _instead(look: read.Look, probe: ProbeResult) -> tuple[str, date | None]:
    others = [one for one in PROBE_ORDER if one not in (probe.advice, "undetermined")]
    advice = st.selectbox(
        "Advice that stands beside it", others, index=None, placeholder="choose one", format_func=lambda a: PROBE[a].word,
        key="decide-advice",
    )  # fmt: skip
    today = look.as_of.date()
    until = st.date_input(
        "Until",
        value=today + timedelta(days=FIRST_DAYS),
        min_value=today,
        max_value=today + timedelta(days=LONGEST_DAYS),
        format="YYYY-MM-DD",
        key="decide-until",
    )
    return advice or "", until


def table_of(rows: tuple[Row, ...], probe: ProbeResult) -> pd.DataFrame:
    """The decision table as it is read for one probe: the deciding row marked, conditions with what was found."""
    out = []
    for number, row in enumerate(rows, 1):
        conditions = row.conditions()
        met = [c.holds(probe.facts.get(c.fact)) for c in conditions]
        decides = row.row == probe.decided_by
        found = [f"{'yes' if c.yes == met_ else 'no'}" if c.yes is not None else shown(c.fact, probe.facts.get(c.fact))
                 for c, met_ in zip(conditions, met, strict=True)]
        out.append(
            {
                "": "\u25b6" if decides else "",
                "No.": str(number),
                "Row": row.row,
                "If": "; and ".join(c.said() for c in conditions) or "no row above holds",
                "Found here": "; ".join(found) or values.DASH,
                "Holds": "yes" if all(met) else "no",
                "Then": PROBE[row.advice].word,
            }
        )
    return pd.DataFrame(out)


def _table(look: read.Look, probe: ProbeResult) -> None:
    if not st.toggle("Show the decision table", key="decision-table"):
        return
    st.caption("Read from the top: the first row that holds decides.")
    data = table_of(look.settings.decision.rows, probe)
    for column in data.columns:
        data[column] = data[column].map(links.escape)
    mine = data[""] != ""
    for column in data.columns:
        data.loc[mine, column] = data.loc[mine, column].map(lambda text: f"**{text}**" if text else text)
    st.table(data.rename(columns={"": "Decides"}).set_index("Decides"), border="horizontal")
    st.caption(
        "Rows, their order and their numbers are the site's to change: section `decision` of the settings. "
        "Whether patients may be served is not decided by this table."
    )
