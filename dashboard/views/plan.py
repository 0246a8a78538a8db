"""Service plan: who is pulled in, checked or replaced, when and why, over a horizon that stands in the address."""

from __future__ import annotations

import json
from datetime import date

import pandas as pd
import streamlit as st

from analytics.advice.plan_result import Plan
from analytics.errors import UserError
from dashboard.figures.plan_calendar import SOURCE_MARK, TASKS, lanes
from dashboard.parts import chart, links, loan_register, reasons, start, values, waiting
from dashboard.seam import planning, read

MOST_SENTENCES = 12
MOST_WARNINGS = 6


def show() -> None:
    """The whole page."""
    st.title("Service plan")
    if not start.ready():
        return
    look = read.look()
    today = look.as_of.date()
    sites = sorted({one.site for one in look.assessment.probes})
    with st.container(horizontal=True, vertical_alignment="bottom"):
        from_on = st.date_input("From", value=today, key="from", bind="query-params", format="YYYY-MM-DD", width=180)
        to_on = st.date_input(
            "To", value=today + planning.QUARTER, key="to", bind="query-params", format="YYYY-MM-DD", width=180
        )
        chosen = st.multiselect("Site", sites, key="site", bind="query-params", placeholder="all sites", width=320)
        every = st.toggle("A line for every probe", key="lines", bind="query-params")
    if from_on < today <= to_on:
        st.caption(f"The plan begins on {values.day(today)}: what lies before it cannot be planned any more.")
        from_on = today
    try:
        made = planning.plan(look, from_on, to_on)
    except UserError as error:
        st.error(str(error), icon=":material/event_busy:")
        return
    look, whole = made.look, made.plan
    if made.newer is not None:
        waiting.newer(made.newer, "The newest records are not in this plan yet.")
    part, rows = planning.part(look, whole, chosen)
    st.markdown(f"{planning.headline(part)} {planning.money_and_risk(whole)}")
    _cover(part)
    risk, rounds = planning.tables_beside(look, whole, part, chosen)
    _calendar(look, part, chosen, today, every=every)
    _pressing(part)
    _sources(part)
    _beside(whole, risk)
    _everything(look, rows, part, whole)
    _rounds(rounds)
    loan_register.show(look, part)
    st.caption(
        "A proposal from the records: the physicist in charge and local rules decide. A probe beyond tolerance stays "
        "out of patient use until it is cleared, whatever the plan says; each probe is read on its source before it is "
        "used again after a service. That a new probe is at hand on its day, that a served one is back after "
        f"{values.count(look.settings.schedule.service_days, 'day')}, and that both are fit then, is assumed here, not found."
    )


def _cover(part: Plan) -> None:
    """Sites that would be short of fit probes, each in a sentence."""
    if not part.uncovered:
        return
    lines = [
        f"**{links.escape(one.site)}**, {_span(one.on, one.until)}: {links.escape(one.why)}."
        for one in part.uncovered[:MOST_WARNINGS]
    ]
    if len(part.uncovered) > MOST_WARNINGS:
        lines.append(f"And {len(part.uncovered) - MOST_WARNINGS} more times; the shaded days below and the JSON hold all.")
    st.warning("Cover that cannot be kept:\n\n" + "\n\n".join(lines), icon=":material/person_alert:")


def _span(first: date, last: date | None) -> str:
    return values.day(first) if last in (None, first) else f"{values.day(first)} to {values.day(last)}"


def _calendar(look: read.Look, part: Plan, sites: list[str], today: date, *, every: bool) -> None:
    if not part.visits:
        st.info(
            "Nothing is due in these days: no check, no service, no replacement. A probe without a rhythm of its own "
            "and without a scheduled interval is never due; the settings can name one.",
            icon=":material/event_available:",
        )
        return
    rows = lanes(part, every_probe=every)
    picked = chart.show(
        planning.calendar_of(look, part, sites, today, every_probe=every),
        key="calendar",
        select=True,
        alt=f"Calendar of {len(part.visits)} visits in {len(rows)} lines: a line a site with the probes of each visit, "
        "and a line each for probes with a service, a replacement or a forecast. The table below holds the same.",
    )
    st.caption(
        "○ a visit, with its number of probes · "
        + " · ".join(f"{one.mark} {one.word}" for one in TASKS.values())
        + f" · {SOURCE_MARK} only a source to replace · ▲ a visit, if each came on its own due date · ●─● proposed loan"
        " · ▬ forecast to pass a limit, 90 % range, with ┃ its median. "
        "A shaded site has fewer fit probes than it must keep. "
        "Press a mark to open its probe."
    )
    for point in picked.selection.points if picked else ():
        if point.get("customdata") and point["customdata"][1]:
            links.go("probe", probe=str(point["customdata"][1]))


def _pressing(part: Plan) -> None:
    found = planning.pressing(part)
    st.header("What cannot wait its turn")
    if not found:
        st.markdown("Nothing: no service or replacement is due, and no check is overdue or asked for.")
        return
    for visit, task in found[:MOST_SENTENCES]:
        look = TASKS[task.kind]
        links.sentence(
            f"{look.mark} {links.inline('probe', task.probe, probe=task.probe)}, {links.escape(visit.site)}, "
            f"**{look.word} on {values.day(visit.on)}**: {reasons.said(task.why)}"
        )
    if len(found) > MOST_SENTENCES:
        st.caption(f"and {len(found) - MOST_SENTENCES} more in the table below")


def _sources(part: Plan) -> None:
    if not part.sources:
        return
    st.header("Check sources")
    for one in part.sources:
        when = f"**replace by {values.day(one.replace_by)}**" if one.replace_by is not None else "**verify**"
        why = one.why.removeprefix("verify: ")
        links.sentence(f"◉ {links.inline('sources', one.source, kind='check sources', name=one.source)}, {when}: {reasons.said(why)}")


def _beside(whole: Plan, risk: pd.DataFrame) -> None:
    st.header("Beside each probe on its own due date")
    st.table(planning.beside(whole).set_index("Measure"), border="horizontal", alt="This plan beside the plain one, all sites")
    st.caption(
        "All sites. Where the plain plan keeps a site's cover, this one has no more visits, cost and days at risk there; "
        f"where it does not, keeping the cover comes first. {planning.proof(whole)}"
    )
    with st.expander("Where the days at risk come from", icon=":material/account_tree:"):
        if risk.empty:
            st.caption("No probe in use is forecast to pass a limit.")
            return
        st.dataframe(
            risk,
            hide_index=True,
            key="risk",
            placeholder=values.DASH,
            alt="Days at risk by probe, with the forecast they come from",
            column_config={
                "probe": "Probe",
                "story": st.column_config.LinkColumn("Its readings", display_text="open"),
                "p05": st.column_config.DateColumn("5 % date", format="D MMM YYYY"),
                "p50": st.column_config.DateColumn("Median", format="D MMM YYYY"),
                "p95": st.column_config.DateColumn("95 % date", format="D MMM YYYY"),
                "served_on": st.column_config.DateColumn("Taken in", format="D MMM YYYY"),
                "plan_days": st.column_config.NumberColumn("Days at risk", format="%.2f"),
                "due_days": st.column_config.NumberColumn("on its own date", format="%.2f"),
            },
        )
        st.caption(
            "Days at risk: the chance of being beyond the limit, added up over the days until the probe is taken in, "
            "or to the end of the plan. A probe without a date of being taken in is less likely than not to pass "
            "inside the plan and risks less than the setting schedule.most_risk_days, or is only possibly drifting: it is "
            "looked at again on its 5 % date."
        )


def _rounds(rounds: pd.DataFrame) -> None:
    if rounds.empty:
        return
    with st.expander(
        f"Rounds of the site's own people: {values.count(len(rounds), 'probe')}", icon=":material/route:"
    ):
        st.dataframe(
            rounds,
            hide_index=True,
            key="rounds",
            alt="Constancy checks that need no visit",
            column_config={
                "site": "Site",
                "probe": "Probe",
                "story": st.column_config.LinkColumn("Its story", display_text="open"),
                "next_on": st.column_config.DateColumn("Next", format="ddd D MMM YYYY"),
                "every_days": st.column_config.NumberColumn("Every, d", format="%g"),
                "why": st.column_config.TextColumn("Why", width="large"),
            },
        )
        st.caption("The setting schedule.visit_from_days says from which interval on a check needs a visit.")


def _everything(look: read.Look, rows: pd.DataFrame, part: Plan, whole: Plan) -> None:
    st.header("Every visit")
    st.dataframe(
        rows,
        hide_index=True,
        key="visits",
        height="auto" if len(rows) < 10 else 560,
        alt="Every planned task by visit, site and probe",
        column_config={
            "on": st.column_config.DateColumn("Visit", format="ddd D MMM YYYY"),
            "site": "Site",
            "probe": "Probe or source",
            "story": st.column_config.LinkColumn("Its story", display_text="open"),
            "what": "What",
            "due_on": st.column_config.DateColumn("Due", format="D MMM YYYY"),
            "why": st.column_config.TextColumn("Why", width="large"),
        },
    )
    with st.container(horizontal=True):
        st.download_button(
            "Visits as calendar",
            lambda: planning.calendar_file(look, part),
            file_name="service-plan.ics",
            mime="text/calendar",
            icon=":material/calendar_month:",
            on_click="ignore",
        )
        st.download_button(
            "Table as CSV",
            lambda: rows.drop(columns="story").to_csv(index=False).encode(),
            file_name="service-plan.csv",
            mime="text/csv",
            icon=":material/download:",
            on_click="ignore",
        )
        st.download_button(
            "Plan as JSON",
            lambda: json.dumps(whole.as_json(), indent=1),
            file_name="service-plan.json",
            mime="application/json",
            icon=":material/download:",
            on_click="ignore",
        )
    st.caption(
        "Nothing is planned later than it is due; some of it earlier, to share a visit. A service is due on the day by "
        "which the forecast gives a 5 % chance of being beyond tolerance. Public holidays are not known here."
    )


if __name__ == "__main__":
    show()
