"""Alerts: what to look at first and why, in sentences, with the readings that say so beside them."""

from __future__ import annotations

from functools import partial

import pandas as pd
import streamlit as st

from dashboard.figures.common_movement import common_movement
from dashboard.figures.evidence import evidence
from dashboard.parts import alert_life, chart, links, reasons, said, start, terms, values
from dashboard.parts.words import CAUSE, DEVICE, DEVICE_KIND, PATIENT_USE, PROBE, QUANTITY, RULE, as_on_pages
from dashboard.seam import digest, keep, read
from dashboard.seam.alert_life import life
from dashboard.seam.digest import Episode

ALONE, BESIDE = 240, 140  # pixels of a happening's readings: the only ones, or one of two
AT_ONCE = 6  # open episodes a screenful holds with their figures
NOW, SO_FAR = "now", "said so far"
NOBODY = "nobody yet"
SELF_SAID = ("background", "window_shift", "scatter", "side")  # rules whose words name what they watch
KINDS = {"probe": "probe", **DEVICE_KIND}


def show() -> None:
    """The whole page."""
    st.title("Alerts")
    if not start.ready():
        return
    look = read.newest()
    view = st.segmented_control(
        "View", [NOW, SO_FAR], default=NOW, key="view", bind="query-params", required=True, label_visibility="collapsed"
    )
    if view == SO_FAR:
        said.show(look)
        return
    every = keep.kept(look, partial(digest.episodes, look.assessment), "episodes")
    sites = sorted({p.site for p in look.assessment.probes})
    site = (
        st.multiselect("Site", sites, key="site", bind="query-params", placeholder="all sites", width=320)
        if len(sites) > 1
        else []
    )
    every = tuple(e for e in every if not site or e.site in site)
    open_now = _with(look, [e for e in every if e.settled_at is None])
    settled = [e for e in every if e.settled_at is not None]
    if open_now:
        st.markdown(
            f"**{values.count(len(open_now), 'happening')} open**, the one to look at first on top. Several alerts "
            "on one happening stand together.",
            help=terms.help_on("episode", "action level", "tolerance limit", "drift", "decision limit", "dead band"),
        )
    else:
        st.success("Nothing is open: no chart signals, no level is passed.", icon=":material/check_circle:")
    pages = -(-len(open_now) // AT_ONCE)
    number = st.pagination(pages, key="page", bind="query-params") if pages > 1 else 1
    for one in open_now[(number - 1) * AT_ONCE : number * AT_ONCE]:
        _episode(look, one)
    _settled(look, settled)


def _with(look: read.Look, episodes: list[Episode]) -> list[Episode]:
    """Those of the person that is chosen; all where nobody is."""
    decisions = look.records.decisions
    touched = set(decisions["episode"].dropna())  # of all others nobody has decided anything yet
    has = {id(e): (life(e, decisions).with_whom if e.episode in touched else "") or NOBODY for e in episodes}
    people = sorted(set(has.values()) - {NOBODY})
    if not people:
        return episodes
    whose = st.selectbox(
        "With", [NOBODY, *people], index=None, key="with", bind="query-params", placeholder="everybody", width=320
    )
    return [e for e in episodes if whose is None or has[id(e)] == whose]


def _episode(look: read.Look, one: Episode) -> None:
    """A happening: what, since when, how sure, what to do; the readings beside it."""
    with st.container(key=f"episode-{one.kind}-{one.subject}-{one.episode}".replace(" ", "_")):
        words, picture = st.columns([4, 5], gap="large")
        with words:
            _heading(one)
            st.markdown(sentences(one, look))
            reasons.show(_reasons(one))
            alert_life.show(life(one, look.records.decisions))
            alert_life.form(one)
        with picture:
            _evidence(look, one)


def _heading(one: Episode) -> None:
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        if one.probe is not None:
            status = PROBE[one.probe.advice]
            st.markdown(f"## {status.mark} {links.escape(one.subject)}", width="content")
            st.badge(status.word, color="gray", help=status.means)
            if one.probe.patient_use != "allowed":
                st.badge(PATIENT_USE[one.probe.patient_use], icon=":material/block:", color="red")
            links.to("probe", "Open the probe", icon=":material/show_chart:", probe=one.subject)
        else:
            status = DEVICE[one.device.advice] if one.device else DEVICE["verify"]
            st.markdown(f"## {status.mark} {links.escape(one.subject)}", width="content")
            st.badge(f"{KINDS[one.kind]}: {status.word}", color="gray", help=status.means)
            links.to("sources", "Open it", icon=":material/adjust:", kind=f"{DEVICE_KIND[one.kind]}s", name=one.subject)


def sentences(one: Episode, look: read.Look) -> str:
    """What happened, since when and how it was noticed, as one short paragraph."""
    first, _ = one.alerts[0]
    since = f"It probably began about {values.day(one.onset)}" if one.onset else "When it began cannot be told"
    waited = (
        f", {(first.signalled_at - one.onset).days} days before it signalled"
        if one.onset and (first.signalled_at - one.onset).days > 0
        else ""
    )
    where = f" at {links.escape(one.site)}" if one.site else ""
    signalled = f"{values.day(first.signalled_at)} ({values.ago(first.signalled_at, look.as_of)})"
    parts = [  # the sentence speaks of the day of the alert, and what stands under it of today
        f"{links.escape(one.subject)}{where}. First signalled on {signalled}: {_lower(reasons.said(first.detail))}",
        f"{since}{waited}.",
        f"Noticed by {_rules(one)}.",
    ]
    if one.probe is not None and one.probe.cause != "none" and not any("cause" in text for text in one.probe.reasons):
        sure = f", {values.chance(one.probe.cause_probability)} sure" if one.probe.cause_probability is not None else ""
        parts.append(f"Most likely cause: {CAUSE[one.probe.cause]}{sure}.")
    return " ".join(parts)


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _rules(one: Episode) -> str:
    names = list(
        dict.fromkeys(
            f"*{RULE[a.rule]}*"
            + (
                f" of the {QUANTITY[s.quantity].lower()}"
                if s and s.quantity != "response" and a.rule not in SELF_SAID
                else ""
            )
            for a, s in one.alerts
        )
    )
    return names[0] if len(names) == 1 else f"{names[0]}, then by {' and '.join([', '.join(names[1:-1]), names[-1]] if len(names) > 2 else names[1:])}"


def _reasons(one: Episode) -> tuple[str, ...]:
    return one.probe.reasons if one.probe is not None else (one.device.reasons if one.device is not None else ())


def _evidence(look: read.Look, one: Episode) -> None:
    shown: set[int] = set()
    alone = len({s.index for _, s in one.alerts if s is not None}) == 1
    for _, series in one.alerts:
        if series is None or series.index in shown or len(shown) == 2:
            continue
        shown.add(series.index)
        alerts = [a for a, s in one.alerts if s is series]
        points = look.assessment.points_of(series)
        build = partial(evidence, series, points, alerts, look.as_of, height=ALONE if alone else BESIDE)
        chart.show(
            keep.alike(build, "evidence", series, points, alerts, look.as_of, alone),
            kept=True,
            key=f"evidence-{one.episode}-{one.subject}-{series.index}",
            alt=(
                f"{QUANTITY[series.quantity]} of {series.probe} around the alert, with its limits; the signalling "
                "check carries a numbered ring."
            ),
        )
    if not shown:
        moved = look.assessment.shared
        mine = moved[(moved["kind"] == one.kind) & (moved["name"] == one.subject)]
        build = partial(common_movement, mine, one.subject, height=150, legend=False)
        if not mine.empty:
            chart.show(
                keep.alike(build, "moved", mine, one.subject),
                kept=True,
                key=f"evidence-{one.kind}-{one.subject}-{one.episode}",
                alt=f"Common movement of all probes read on {one.subject}, in per cent, with its 90 % interval.",
            )


def _settled(look: read.Look, settled: list[Episode]) -> None:
    st.header(f"Settled: {len(settled)}")
    if not settled:
        st.caption("None so far.")
        return
    rows = pd.DataFrame(
        [
            {
                "what": e.subject,
                "kind": KINDS[e.kind],
                "site": e.site,
                "first": e.first_at,
                "settled": e.settled_at,
                "onset": e.onset,
                "how": ", ".join(dict.fromkeys(RULE[a.rule] for a, _ in e.alerts)),
                "detail": as_on_pages(e.alerts[0][0].detail),
            }
            for e in settled
        ]
    )
    when = "D MMM YYYY"
    picked = st.dataframe(
        rows,
        hide_index=True,
        placeholder=values.DASH,
        key="settled",
        on_select="rerun",
        selection_mode="single-row",
        alt="Alerts that are settled, newest first",
        column_config={
            "what": "What",
            "kind": "Kind",
            "site": "Site",
            "first": st.column_config.DatetimeColumn("Signalled", format=when),
            "settled": st.column_config.DatetimeColumn("Settled", format=when),
            "onset": st.column_config.DatetimeColumn("Began about", format=when),
            "how": "Noticed by",
            "detail": st.column_config.TextColumn("In a sentence", width="large"),
        },
    )
    st.caption("Mark a row to see its readings.")
    for number in picked.selection.rows:
        _episode(look, settled[number])


if __name__ == "__main__":
    show()
