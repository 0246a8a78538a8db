"""Fleet: the two-minute answer. How many are fit, what changed, where risk lies, and every probe in one picture."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import partial

import pandas as pd
import streamlit as st

from analytics.named_rows import named_rows
from analytics.results import FleetAssessment, ProbeAdvice, ProbeResult
from dashboard.figures.fleet_map import CROWD, fleet_map
from dashboard.figures.site_bars import site_bars
from dashboard.parts import chart, links, moment, start, table, terms, values
from dashboard.parts.words import DEVICE_KIND, PROBE, PROBE_ORDER
from dashboard.seam import digest, keep, month_before, read

WORDS = [PROBE[advice].word for advice in PROBE_ORDER]
NAMED = 40  # barred probes named in the answer; a nation's would fill the screen


def show() -> None:
    """The whole page."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.title("Fleet")
        st.space("stretch")
        if read.exists():
            moment.picker()
    if not start.ready():
        return
    look = read.look()
    assessment = look.assessment
    _answer(assessment)
    _counts(look)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        status = st.segmented_control("Answer", WORDS, selection_mode="multi", key="status", bind="query-params")
        sites = sorted({p.site for p in assessment.probes})
        site = st.multiselect("Site", sites, key="site", bind="query-params", placeholder="all sites", width=320)
    chosen = [
        p for p in assessment.probes if (not status or PROBE[p.advice].word in status) and (not site or p.site in site)
    ]
    wide, narrow = st.columns([5, 3], gap="large")
    with wide:
        _picture(look, chosen, (tuple(status), tuple(site)))
    with narrow:
        changed = st.container()
        _sites(look)
    _probes(look, chosen)
    _schedule(look)
    with changed:  # last, since it needs the answer of a month before
        _changes(look)


def _answer(assessment: FleetAssessment) -> None:
    """The answer in sentences, the gravest first."""
    every = len(assessment.probes)
    fit = sum(digest.is_fit(p) for p in assessment.probes)
    barred = [p.probe for p in assessment.probes if p.patient_use == "not_until_cleared"]
    repeat = [p.probe for p in assessment.probes if p.patient_use == "repeat_first"]
    every_kind = (("source", assessment.sources), ("jig", assessment.jigs), ("readout", assessment.readouts))
    doubtful = [(kind, d.name) for kind, devices in every_kind for d in devices if d.advice != "use"]
    earlier = st.query_params.get(read.AS_OF, "")  # which every link carries on
    given = every, fit, barred, repeat, doubtful
    links.put(keep.alike(lambda: links.in_this_tab(_said(*given)), "answer", repr(given), earlier))


def _said(every: int, fit: int, barred: list[str], repeat: list[str], doubtful: list[tuple[str, str]]) -> str:
    """The answer as Markdown. barred, repeat: probes; doubtful: kind and name of devices."""
    parts = [f"**{fit} of {values.count(every, 'probe')} {'is' if fit == 1 else 'are'} fit.**"]
    if barred:
        where = "" if len(barred) <= NAMED else " (all of them stand in the table below, by its column of patient use)"
        parts.append(f"Not for patient use until cleared: **{_named(barred, NAMED)}**{where}.")
    if repeat:
        parts.append(f"For patients only after a good check: {_named(repeat)}.")
    if doubtful:
        said = ", ".join(links.inline("sources", name, kind=f"{DEVICE_KIND[kind]}s", name=name) for kind, name in doubtful[:6])
        more = f" and {len(doubtful) - 6} more" if len(doubtful) > 6 else ""
        parts.append(f"To be verified or replaced first: {said}{more} (check sources, jigs, control units).")
    if not barred and not repeat and not doubtful:
        parts.append("No probe is barred from patient use.")
    return " ".join(parts)


def _named(names: list[str], most: int = 6) -> str:
    """Names of probes, each a link, as Markdown."""
    said = ", ".join(links.inline("probe", one, probe=one) for one in names[:most])
    return said if len(names) <= most else f"{said} and {len(names) - most} more"


def _counts(look: read.Look) -> None:
    """One figure an answer; pressing it leaves these in the picture and the table."""
    assessment = look.assessment
    every = keep.kept(look, partial(digest.episodes, assessment), "episodes")
    open_now = sum(e.settled_at is None for e in every)
    late = keep.kept(look, partial(digest.overdue, assessment), "overdue")
    kept, dated = digest.on_time(assessment)
    with st.container(horizontal=True, gap="large", key="count-row"):
        for advice in PROBE_ORDER:
            status = PROBE[advice]
            mine = [p for p in assessment.probes if p.advice == advice]
            many = sum(advice != "use" or digest.is_fit(p) for p in mine)
            idle = len(mine) - many
            st.button(
                f"**{many}**\n\n{status.mark} {status.word}",
                key=f"pick-{advice}",
                type="tertiary",
                help=status.means + (f" {idle} more would be, but out of use: withdrawn or taken out." if idle else ""),
                on_click=_only,
                args=(status.word,),
            )
        if st.button(
            f"**{open_now}**\n\nopen alerts",
            key="pick-alerts",
            type="tertiary",
            help="Several alerts on one happening count once.",
        ):
            links.go("alerts")
        st.button(
            f"**{kept} of {dated}**\n\nchecks on time" if dated else "**–**\n\nchecks on time",
            key="pick-late",
            type="tertiary",
            help=f"Probes whose check on the source is not overdue, of those with a date for it. With any overdue check: "
            f"{late['probe'].nunique()}.",
            on_click=_open_late,
        )


def _only(word: str) -> None:
    st.session_state["status"] = [word]


def _open_late() -> None:
    st.session_state["late"] = True


def _picture(look: read.Look, chosen: list[ProbeResult], choice: tuple[tuple[str, ...], tuple[str, ...]]) -> None:
    """The map of the chosen probes. choice: answers and sites that were chosen; empty: all."""
    st.header(
        "Where each probe stands, and where it is going" + (" (chosen ones)" if any(choice) else ""),
        help=terms.help_on("response", "reference", "drift", "action level", "tolerance limit"),
    )
    headline = keep.kept(look, partial(digest.headline, look.assessment), "headline")
    build = partial(fleet_map, chosen, headline, look.settings.limits)
    figure = keep.kept(look, build, "map", choice)
    drawn = [p.probe for p in chosen if p.probe in headline and headline[p.probe].current_pct is not None]
    picked = chart.show(
        figure,
        key="map",
        kept=True,
        select=True,
        alt=(
            f"Each of {len(drawn)} probes as a mark: response now in per cent of its reference across, drift in per "
            "cent a year upwards. "
            "The table below holds the same numbers."
        ),
    )
    st.caption(
        "A mark on the left has lost response; a mark low down is falling. Beyond a dotted line the tolerance limit "
        "is less than a year, "
        "or less than three months, away. Press a mark to open its probe. Levels are site choices."
    )
    if len(drawn) > CROWD:
        st.caption(
            f"Of more than {CROWD} marks only some of the gravest carry name and 90 % interval, those with room for them. "
            "Point at a mark for its name and numbers, or choose a site: then all that are watched or pulled in have them."
        )
    there = set(drawn)
    absent = [p.probe for p in chosen if p.probe not in there]
    if absent:
        said = f"Not in the picture, since no present response is known: {_named(absent, 12)}. The table says why."
        links.sentence(said, quiet=True)
    for point in picked.selection.points if picked else ():
        if point.get("customdata"):
            links.go("probe", probe=str(point["customdata"][0]))


def _changes(look: read.Look) -> None:
    """Whose answer changed in 30 days, and what people decided and did meanwhile."""
    st.header("In the last 30 days")
    since = look.as_of - timedelta(days=30)
    earliest = look.records.readings["taken_at"].min()
    if pd.isna(earliest) or earliest > since:
        st.caption("The records are younger than that; nothing to compare with.")
        return
    _answers_changed(look, since)
    decisions, events = look.records.decisions, look.records.events
    recent = [
        *(
            (d.decided_at, f"{links.escape(d.probe)}: {d.kind.replace('_', ' ')} by {links.escape(d.by)}")
            for d in named_rows(decisions[decisions["decided_at"].between(since, look.as_of, inclusive="right")])
        ),
        *(
            (e.happened_at, f"{links.escape(e.probe)}: {e.kind.replace('_', ' ')}" + (f" by {links.escape(e.by)}" if e.by == e.by and e.by else ""))
            for e in named_rows(events[events["happened_at"].between(since, look.as_of, inclusive="right")])
        ),
    ]
    for when, text in sorted(recent, reverse=True)[:6]:
        st.caption(f"{values.day(when)}  {text}")


def _answers_changed(look: read.Look, since: datetime) -> None:
    """Whose answer changed; of a large fleet as soon as it is known."""
    found = month_before.changes(look, since)
    if found is None:
        _awaited(look, since)
        return
    if not found:
        st.markdown("No probe's answer changed.")
    for one in found[:8]:
        with st.container(horizontal=True, gap="small", vertical_alignment="center"):
            links.to("probe", one.probe, probe=one.probe, hint=one.why)
            st.markdown(f"{one.before} → **{one.after}**")
    if len(found) > 8:
        st.caption(f"and {len(found) - 8} more")


@st.fragment(run_every=3)
def _awaited(look: read.Look, since: datetime) -> None:
    """Says that it is coming, and shows the page anew when it is there."""
    if month_before.changes(look, since) is not None:
        st.rerun()
    st.caption(
        f":material/hourglass_top: Working out the answers of {values.day(since)}, to compare with. "
        "All else on this page stands; they come by themselves."
    )


def _sites(look: read.Look) -> None:
    assessment = look.assessment
    st.header("By site")
    counted = sorted(Counter((p.site, p.advice, p.patient_use) for p in assessment.probes).items())
    chart.show(
        keep.alike(partial(site_bars, assessment.probes), "sites", repr(counted)),
        kept=True,
        key="sites",
        alt="Probes of each site by answer, as stacked bars with their numbers.",
    )
    table.show_data(keep.alike(partial(_by_site, counted), "by site", repr(counted)), key="sites", name="answers by site")


def _by_site(counted: Sequence[tuple[tuple[str, ProbeAdvice, str], int]]) -> pd.DataFrame:
    """One row a site, from how many of its probes have which answer and which word on patient use."""
    rows: dict[str, dict[str, int]] = {}
    for (site, advice, use), many in counted:
        row = rows.setdefault(site, dict.fromkeys(("probes", *WORDS, "not for patients"), 0))
        row["probes"] += many
        row[PROBE[advice].word] += many
        row["not for patients"] += many if use == "not_until_cleared" else 0
    return pd.DataFrame([{"site": site, **row} for site, row in rows.items()])


def _probes(look: read.Look, chosen: list[ProbeResult]) -> None:
    st.header(
        "All probes" if len(chosen) == len(look.assessment.probes) else f"{values.count(len(chosen), 'probe')} chosen"
    )
    rows = keep.kept(look, partial(digest.fleet_table, look.assessment, look.records), "fleet")
    if len(chosen) < len(rows):
        rows = rows[rows["probe"].isin({p.probe for p in chosen})].reset_index(drop=True)
    picked = st.dataframe(
        rows,
        hide_index=True,
        key="all-probes",
        on_select="rerun",
        selection_mode="single-row",
        height=min(640, 39 + 35 * len(rows)),
        placeholder=values.DASH,
        alt="All chosen probes with answer, site, response, drift, patient use, cause and dates.",
        column_config={
            "answer": st.column_config.TextColumn("Answer", pinned=True),
            "probe": st.column_config.TextColumn("Probe", pinned=True),
            "site": "Site",
            "model": "Model",
            "detector": "Detector",
            "now_pct": st.column_config.NumberColumn(
                "Now, % of reference", format="%.1f", help=terms.help_on("response", "reference")
            ),
            "drift_pct_per_year": st.column_config.NumberColumn("Drift, %/year", format="%+.1f", help=terms.help_on("drift")),
            "crosses_about": st.column_config.DateColumn(
                "Reaches a limit about", format="D MMM YYYY", help=terms.help_on("crossing")
            ),
            "patient_use": st.column_config.TextColumn("Patient use", help=terms.help_on("patient use")),
            "cause": "Cause",
            "last_check": st.column_config.DatetimeColumn("Last check", format="D MMM YYYY HH:mm"),
            "next_check": st.column_config.DateColumn("Next check due", format="D MMM YYYY", help=terms.help_on("overdue")),
            "why": st.column_config.TextColumn("Why", width="large"),
        },
    )
    st.caption("Mark a row to open its probe. A dash: not known, a limit passed already, or none ahead; the last column says why.")
    for number in picked.selection.rows:
        links.go("probe", probe=str(rows.loc[number, "probe"]))


def _schedule(look: read.Look) -> None:
    assessment = look.assessment
    late = keep.kept(look, partial(digest.overdue, assessment), "overdue")
    kept, dated = digest.on_time(assessment)
    share = (
        f"{kept} of {dated} probes with a date have their check on the source on time."
        if dated
        else "No probe has a date for its next check yet."
    )
    with st.expander(f"Overdue checks: {len(late)}", key="late", icon=":material/schedule:", on_change="rerun"):
        st.markdown(share)
        if late.empty:
            st.caption("Nothing is overdue.")
            return
        st.dataframe(
            late,
            hide_index=True,
            key="late-table",
            alt="Overdue checks by probe",
            column_config={
                "probe": "Probe",
                "site": "Site",
                "what": "What",
                "due": st.column_config.DateColumn("Was due", format="D MMM YYYY"),
                "days": st.column_config.NumberColumn("Days over"),
            },
        )
        links.to("record", "Record a check", icon=":material/edit_note:")


if __name__ == "__main__":
    show()
