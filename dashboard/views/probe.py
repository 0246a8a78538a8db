"""Probe: the story of one probe, what is said about it and why, and how every number of it came about."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from functools import partial

import streamlit as st

from analytics.results import ProbeResult, SeriesResult
from dashboard.figures import readings
from dashboard.figures.story import Chapter, story, story_name
from dashboard.parts import chart, decision, facts, links, one_check, reasons, start, table, terms, values
from dashboard.parts.words import PATIENT_USE, PROBE, QUANTITY, RULE
from dashboard.seam import digest, keep, probe_facts, read, reporting
from dashboard.seam.hidden import with_hidden

SPANS = {"3 months": 91, "1 year": 365, "3 years": 1096, "all": None}
WHOLE_PROBE = ("window_shift", "window_width")  # the gain is the probe's: it shows whatever window it was read in
SPAN_KEPT = "span_kept"  # in the visit's state: the time range that was chosen last
ORDER = ("window_shift", "window_width", "background", "scatter", "side")


def show() -> None:
    """The whole page."""
    st.title("Probe")
    if not start.ready():
        return
    look = read.look()
    names = sorted(p.probe for p in look.assessment.probes)
    if not names:
        st.info("No probe is registered yet.")
        return
    pick, chooser = st.columns([2, 5], gap="large", vertical_alignment="bottom")
    with pick:
        name = _name(look, names)
    probe = look.assessment.probe(name)
    responses = look.assessment.series_of(name, "response")
    with chooser:
        series = _series(look, name, responses)
    _verdict(look, probe, series)
    if series is None:
        st.info(
            "No response of this probe could be charted yet." + "".join(f" {reasons.said(m)}" for m in probe.missing),
            icon=":material/help:",
        )
        _others(look, name, None)
        return
    _story(look, probe, series)


def _name(look: read.Look, names: list[str]) -> str:
    """The probe of the address, else the one to look at first; the address then names it, so that it is a link."""
    unknown = st.session_state.pop("unknown_probe", None)
    if unknown:
        st.warning(f"No probe is registered as {links.escape(unknown)}; here is the one to look at first.")
    asked = st.session_state.get("probe") or st.query_params.get("probe")
    if asked not in names:
        st.session_state["unknown_probe"] = asked
        first = min(look.assessment.probes, key=lambda p: (digest.RANK[p.advice], p.probe)).probe
        kept = {key: value for key, value in st.query_params.items() if key not in {"probe", "series", "at"}}
        links.go("probe", **{**kept, "probe": first})
    return st.selectbox("Probe", names, index=None, key="probe", bind="query-params") or str(asked)


def label(series: SeriesResult) -> str:
    """What tells a series from the probe's others: window, jig, collimator, nuclide.

    It stands in the address, so it does not change with the data.
    """
    parts = [series.window, *(p for p in (series.jig, series.collimator) if p is not None)]
    if series.nuclide != series.window:
        parts.append(f"on {series.nuclide or 'an unknown nuclide'}")
    return ", ".join(parts)


def _series(look: read.Look, name: str, responses: tuple[SeriesResult, ...]) -> SeriesResult | None:
    if not responses:
        return None
    by_label = {label(s): s for s in responses}
    spoken = digest.headline(look.assessment).get(name, responses[0])
    if len(by_label) == 1:
        st.caption(
            f"Series: {links.escape(label(spoken))}; {values.count(spoken.readings, 'check')}, the last on "
            f"{values.moment(spoken.latest_at)}"
        )
        return spoken
    if st.session_state.get("series", st.query_params.get("series")) not in by_label:
        st.session_state["series"] = label(spoken)
    chosen = st.segmented_control("Series: window, jig, collimator", list(by_label), key="series", bind="query-params")
    return by_label.get(chosen or "", spoken)


def _verdict(look: read.Look, probe: ProbeResult, series: SeriesResult | None) -> None:
    """The answer, in words, with its reasons and what is missing."""
    status = PROBE[probe.advice]
    with st.container(border=True, key="verdict"):
        said, figures = st.columns([5, 4], gap="large")
        with said:
            with st.container(horizontal=True, vertical_alignment="center", gap="small"):
                st.markdown(f"## {status.mark} {links.escape(probe.probe)}: {status.word}", width="content")
                st.badge(
                    PATIENT_USE[probe.patient_use],
                    color="gray" if probe.patient_use == "allowed" else "red",
                    icon=":material/check:" if probe.patient_use == "allowed" else ":material/block:",
                )
                decision.overruled(probe)
            st.caption(f"{links.escape(probe.site)}. {status.means}")
            reasons.show(probe.reasons, missing=probe.missing, notes=series.notes if series else ())
            if series is not None and series.repeat_requested:
                st.warning(
                    "The newest check lies far off or shows no signal. Take the probe out, put it back, and count again.",
                    icon=":material/replay:",
                )
        with figures:
            facts.show(probe_facts.facts(probe, series, look.as_of, look.settings.limits.tolerance_pct))
            st.caption(
                "What these words mean",
                help=terms.help_on("response", "reference", "drift", "crossing", "tolerance limit", "90 % interval"),
            )
    decision.show(look, probe)


def _same_span() -> None:
    """The time range of the probe looked at before, where the address names none: it is kept over pages and probes."""
    if not any(name in st.query_params for name in ("span", "from", "to")):
        for name, value in st.session_state.get(SPAN_KEPT, {}).items():
            if value is not None:
                st.session_state.setdefault(name, value)


def _span(look: read.Look, series: SeriesResult) -> tuple[datetime | None, datetime | None, SeriesResult | None]:
    """The time range that is asked for (None: all there is), and the series of another probe to set beside this one."""
    _same_span()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        span = st.segmented_control(
            "Time shown", list(SPANS), default=None if "span" in st.session_state else "all", required=True, key="span",
            bind="query-params",
        )
        first = st.date_input("from", value=None, key="from", bind="query-params", format="YYYY-MM-DD", width=160)
        last = st.date_input("to", value=None, key="to", bind="query-params", format="YYYY-MM-DD", width=160)
        names = sorted(p.probe for p in look.assessment.probes if p.probe != series.probe)
        other = st.selectbox(
            "Compare with", names, index=None, key="with", bind="query-params", width=200, placeholder="another probe"
        )
    st.session_state[SPAN_KEPT] = {"span": span, "from": first, "to": last}
    start_at = datetime.combine(first, time()) if first else None
    end_at = datetime.combine(last, time(23, 59, 59)) if last else None
    days = SPANS[span or "all"]
    if start_at is None and days is not None and series.latest_at is not None:
        start_at = (end_at or series.latest_at) - timedelta(days=days)
    theirs = look.assessment.series_of(other, "response") if other else ()
    alike = sorted(theirs, key=lambda one: (one.window != series.window, one.jig != series.jig))
    return start_at, end_at, alike[0] if alike else None


def companions(look: read.Look, series: SeriesResult) -> list[Chapter]:
    """The other quantities of the same probe, window, jig and collimator; window shift and width from any window."""

    def belongs(other: SeriesResult) -> bool:
        here = other.jig in (None, series.jig) and other.collimator in (None, series.collimator)
        return here and other.readings > 1 and (other.window == series.window or other.quantity in WHOLE_PROBE)

    every = (other for quantity in ORDER for other in look.assessment.series_of(series.probe, quantity))
    return [Chapter(other, look.assessment.points_of(other)) for other in every if belongs(other)]


def _story(look: read.Look, probe: ProbeResult, series: SeriesResult) -> None:
    first, last, rival = _span(look, series)
    charted = look.assessment.points_of(series)
    every = partial(with_hidden, look.records, look.settings, series, charted, look.as_of)
    chapter, others = Chapter(series, keep.kept(look, every, "points", series.index)), companions(look, series)
    if rival is not None:
        others.insert(0, Chapter(rival, look.assessment.points_of(rival)))
    events = look.records.events[
        (look.records.events["probe"] == probe.probe) & (look.records.events["happened_at"] <= look.as_of)
    ]
    build = partial(story, chapter, others, events, look.as_of, start=first, end=last)
    picked = chart.show(
        keep.alike(build, "story", *((c.series, c.points) for c in (chapter, *others)), events, look.as_of, first, last),
        kept=True,
        key="story",
        select=True,
        alt=(
            f"Response of {probe.probe} over time with error bars, reference, limits, alerts and events; under it "
            f"{', '.join(QUANTITY[c.series.quantity].lower() for c in others) or 'nothing else'} and the equipment "
            "in use. The table below holds the numbers."
        ),
    )
    st.caption(
        "Charted value: the shared movement of source and jig is taken off. Error bars and bands are 90 %. "
        "Grey band: limits of the chart, which follow the counts. Tint: from the likely onset to the signal. "
        "Hollow marks take no part. No line is drawn where nothing was read. Press a reading to see its countings.",
        help=terms.help_on("action level", "tolerance limit", "window shift", "scatter", "side reading", "common movement"),
    )
    _alerts(chapter, others)
    table.show_several(
        {story_name(c.series, series): c.points.drop(columns=["series"]) for c in (chapter, *others)},
        key="story",
        name=f"{probe.probe} {label(series)}",
    )
    pressed = [str(p["customdata"][0]) for p in (picked.selection.points if picked else ()) if p.get("customdata")]
    one_check.show(look, series, chapter.points, pressed[0] if pressed else None)
    _others(look, probe.probe, series)


def _alerts(chapter: Chapter, others: list[Chapter]) -> None:
    number = 0
    lines = []
    for one in (chapter, *others):
        whose = "" if one.series.probe == chapter.series.probe else f"{links.escape(one.series.probe)}, "
        for alert in one.series.alerts:
            number += 1
            end = f"settled {values.day(alert.settled_at)}" if alert.settled_at else "open"
            began = f"; began about {values.day(alert.onset_estimate)}" if alert.onset_estimate else ""
            lines.append(
                f"{readings.number_mark(number)} **{values.day(alert.signalled_at)}**, {whose}{RULE[alert.rule]} "
                f"({end}{began}): {reasons.said(alert.detail)}"
            )
    if lines:
        st.markdown("  \n".join(lines))
    else:
        st.caption("No alert so far on this series.")


def _others(look: read.Look, name: str, series: SeriesResult | None) -> None:
    """Where to go on from here."""
    events = look.records.events[
        (look.records.events["probe"] == name) & (look.records.events["happened_at"] <= look.as_of)
    ]
    with st.expander(f"Events and service: {len(events)}", icon=":material/build:"):
        if events.empty:
            st.caption("None is on record.")
        else:
            st.dataframe(
                events[["happened_at", "kind", "new_reference", "by", "cost", "note"]]
                .assign(kind=events["kind"].astype("str").str.replace("_", " "))
                .sort_values("happened_at", ascending=False),
                hide_index=True,
                placeholder=values.DASH,
                alt=f"Events of {name}",
                column_config={
                    "happened_at": st.column_config.DatetimeColumn("When", format="D MMM YYYY HH:mm"),
                    "kind": "What",
                    "new_reference": st.column_config.CheckboxColumn("New reference from here"),
                    "by": "By",
                    "cost": st.column_config.NumberColumn("Cost, site currency", format="%.0f"),
                    "note": st.column_config.TextColumn("Note", width="large"),
                },
            )
    with st.container(horizontal=True):
        links.to("record", "Record a check", icon=":material/edit_note:", probe=name)
        links.to("alerts", "All alerts", icon=":material/notifications:")
        links.to("report", "Report on it", icon=":material/print:", probe=name)
        if name in reporting.found_out(look):
            links.to(
                "report",
                "Look back",
                icon=":material/manage_search:",
                hint="It was found out of tolerance or without signal: how long in doubt, and which uses in between.",
                part="Look back",
                back=name,
            )
        last = look.assessment.points_of(series)["source"].dropna() if series is not None else None
        if last is not None and len(last):
            links.to(
                "sources",
                f"Check source {last.iloc[-1]}",
                icon=":material/adjust:",
                kind="check sources",
                name=str(last.iloc[-1]),
            )


if __name__ == "__main__":
    show()
