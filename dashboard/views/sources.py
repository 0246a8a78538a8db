"""Sources and jigs: what each check source, jig and control unit does to every probe on it, and how long it serves."""

from __future__ import annotations

from datetime import datetime, time
from functools import partial

import pandas as pd
import streamlit as st

from analytics.results import DeviceResult
from dashboard.figures.common_movement import common_movement, standing
from dashboard.parts import chart, facts, links, reasons, source_life_table, start, table, values, words
from dashboard.parts.words import DEVICE, PROBE
from dashboard.seam import keep, read

KINDS = {kind: f"{word}s" for kind, word in words.DEVICE_KIND.items()}
ONE = words.DEVICE_KIND


def show() -> None:
    """The whole page."""
    st.title("Sources and jigs")
    if not start.ready():
        return
    look = read.look()
    word = st.segmented_control(
        "Show", list(KINDS.values()), default=KINDS["source"], required=True, key="kind", bind="query-params"
    )
    kind = next((k for k, w in KINDS.items() if w == word), "source")
    devices = {"source": look.assessment.sources, "jig": look.assessment.jigs, "readout": look.assessment.readouts}[
        kind
    ]
    if not devices:
        st.info(f"No {ONE[kind]} is on record.", icon=":material/help:")
        return
    gone = _withdrawn(look) if kind == "source" else frozenset()
    devices = tuple(sorted(devices, key=lambda d: (d.name in gone, d.advice == "use")))  # what is in use and wants seeing to on top
    doubtful = [d for d in devices if d.advice != "use" and d.name not in gone]
    links.sentence(_headline(kind, len(devices) - len(gone), doubtful, gone))
    st.caption(
        "What all probes on one thing do together is no probe's fault: verify the source, its record or its place "
        "before blaming a probe. "
        "With fewer than three probes on it, the two cannot be told apart."
    )
    _table(look, devices, kind, gone)
    left, right = st.columns([4, 5], gap="large")
    with left:
        picked = None
        if any(d.offset_pct is not None for d in devices):
            st.header("Where each stands now")
            picked = chart.show(
                keep.kept(look, partial(standing, devices), "standing", kind),
                kept=True,
                key=f"standing-{kind}",
                select=True,
                alt=f"Common offset now of each {ONE[kind]} with its 90 % interval.",
            )
            st.caption("Press a mark to see its movement over time.")
    names = [d.name for d in devices]
    pressed = [str(p["customdata"][0]) for p in (picked.selection.points if picked else ()) if p.get("customdata")]
    if pressed and pressed[0] in names and st.session_state.get("last_device") != pressed[0]:
        st.session_state["last_device"] = pressed[0]
        st.session_state["name"] = pressed[0]
    with right:
        if st.session_state.get("name", st.query_params.get("name")) not in names:
            st.session_state["name"] = (doubtful or list(devices))[0].name
        name = st.selectbox(ONE[kind].capitalize(), names, index=None, key="name", bind="query-params")
        _one(look, next((d for d in devices if d.name == name), devices[0]))
    if kind == "source":
        source_life_table.show(look)


def _withdrawn(look: read.Look) -> frozenset[str]:
    """The check sources that are out of use."""
    sources = look.records.sources
    return frozenset(sources.loc[sources["withdrawn_on"] <= look.as_of, "source"]) & {d.name for d in look.assessment.sources}


def _headline(kind: str, used: int, doubtful: list[DeviceResult], gone: frozenset[str]) -> str:
    """How many of those in use give no cause for doubt, and which do."""
    parts = [f"**{used - len(doubtful)} of {values.count(used, ONE[kind])} in use {'gives' if used - len(doubtful) == 1 else 'give'} no cause for doubt.**"]
    if doubtful:
        named = ", ".join(links.inline("sources", d.name, kind=KINDS[kind], name=d.name) for d in doubtful)
        parts.append(f"Verify or replace first: {named}.")
    if gone:
        parts.append(f"{len(gone)} more {'is' if len(gone) == 1 else 'are'} withdrawn.")
    return " ".join(parts)


def probes_on(look: read.Look, kind: str, name: str) -> pd.DataFrame:
    """Probes read on a thing: probe, first and last check on it, how many; the latest first."""
    points = look.assessment.points
    mine = points[points[kind] == name]
    owner = {s.index: s.probe for s in look.assessment.series if s.quantity == "response"}
    mine = mine.assign(probe=mine["series"].map(owner)).dropna(subset=["probe"])
    grouped = mine.groupby("probe", observed=True)["check_at"].agg(["min", "max", "count"]).reset_index()
    grouped.columns = pd.Index(["probe", "first_on", "last_on", "checks"])
    return grouped.sort_values(["last_on", "probe"], ascending=[False, True], ignore_index=True)


def _table(look: read.Look, devices: tuple[DeviceResult, ...], kind: str, gone: frozenset[str]) -> None:
    registered = look.records.sources.set_index("source")
    rows = []
    for one in devices:
        row: dict[str, object] = {
            "answer": f"{DEVICE[one.advice].mark} {DEVICE[one.advice].word}" + (", withdrawn" if one.name in gone else ""),
            "name": one.name,
            "site": one.site,
            "offset_pct": one.offset_pct,
        }
        if kind == "source":
            known = registered.loc[one.name] if one.name in registered.index else None
            row |= {
                "nuclide": None if known is None else known["nuclide"],
                "activity_kbq": one.activity_kbq,
                "rate_now_cps": one.rate_now_cps,
                "too_weak_on": one.too_weak_on,
                "withdrawn_on": None if known is None else known["withdrawn_on"],
            }
        rows.append(row)
    number = st.column_config.NumberColumn
    st.dataframe(
        pd.DataFrame(rows),
        hide_index=True,
        placeholder=values.DASH,
        key=f"devices-{kind}",
        alt=f"All {KINDS[kind]}",
        column_config={
            "answer": "Answer",
            "name": ONE[kind].capitalize(),
            "site": st.column_config.TextColumn("Site", width="medium"),
            "nuclide": "Nuclide",
            "offset_pct": number("Common offset, %", format="%+.1f"),
            "activity_kbq": number("Activity now, kBq", format="%.0f"),
            "rate_now_cps": number("Net rate now, cps", format="%.0f"),
            "too_weak_on": st.column_config.DateColumn("Too weak from", format="D MMM YYYY"),
            "withdrawn_on": st.column_config.DateColumn("Withdrawn", format="D MMM YYYY"),
        },
    )
    if kind == "source":
        st.caption(
            "Too weak: 3 % in 10 s is no longer reached by its net counts alone (about 100 cps); the table at the end of the "
            "page counts the background in, so that a source serves a little shorter there. Activity: as stated, decayed to "
            "now; a dash: not stated."
        )
        links.sentence(f"Leak tests and inventory: {links.inline('other_checks', 'other checks', kind='leak_test')}.")


def _one(look: read.Look, one: DeviceResult) -> None:
    status = DEVICE[one.advice]
    st.header(f"{status.mark} {one.name}: {status.word}", anchor=False)
    st.caption(status.means)
    reasons.show(one.reasons)
    if one.kind == "source":
        facts.show(_source_facts(look, one))
    shared = look.assessment.shared
    mine = shared[(shared["kind"] == one.kind) & (shared["name"] == one.name)]
    if mine.empty:
        st.caption(f"{values.DASH} No common movement can be told yet: it takes three probes read on it.")
    else:
        chart.show(
            keep.alike(partial(common_movement, mine, one.name), "movement", mine, one.name),
            kept=True,
            key="movement",
            alt=f"Common movement of all probes on {one.name} over time, in per cent, with its 90 % interval.",
        )
        table.show_data(mine, key="movement", name=f"{one.name} common movement")
    on_it = probes_on(look, one.kind, one.name)
    st.markdown(f"**{values.count(len(on_it), 'probe')} read on it**")
    answers = {p.probe: f"{PROBE[p.advice].mark} {PROBE[p.advice].word}" for p in look.assessment.probes}
    on_it.insert(1, "answer", on_it["probe"].map(answers))
    picked = st.dataframe(
        on_it,
        hide_index=True,
        placeholder=values.DASH,
        key="on-it",
        on_select="rerun",
        selection_mode="single-row",
        alt=f"Probes read on {one.name}",
        column_config={
            "probe": st.column_config.TextColumn("Probe", width="small"),
            "answer": "Answer",
            "first_on": st.column_config.DatetimeColumn("First check on it", format="D MMM YYYY"),
            "last_on": st.column_config.DatetimeColumn("Last", format="D MMM YYYY"),
            "checks": "Checks",
        },
    )
    for number in picked.selection.rows:
        links.go("probe", probe=str(on_it.loc[number, "probe"]))


def _reference(at: datetime) -> str:
    """The reference date of a certificate; its time only where one is stated."""
    return values.day(at) if at.time() == time() else values.moment(at)


def _source_facts(look: read.Look, one: DeviceResult) -> list[tuple[str, str]]:
    known = look.records.sources[look.records.sources["source"] == one.name]
    rows = []
    if len(known):
        first = known.iloc[0]
        sure = values.number(first["activity_uncertainty_pct"], "% (k=1)", digits=2)
        activity = f"{values.number(first['activity_kbq'], 'kBq', digits=4)} ± {sure}"
        rows.append(("On record", f"{first['nuclide']}, {activity} at {_reference(first['reference_at'])}"))
        if pd.notna(first["withdrawn_on"]):
            rows.append(("Withdrawn", values.day(first["withdrawn_on"])))
    rows.append(
        (
            "Activity now",
            values.number(one.activity_kbq, "kBq") if one.activity_kbq is not None else f"{values.DASH} (none stated)",
        )
    )
    rows.append(
        (
            "Net rate now",
            values.number(one.rate_now_cps, "cps")
            if one.rate_now_cps is not None
            else f"{values.DASH} (no recent check)",
        )
    )
    rows.append(
        (
            "Too weak from",
            values.day(one.too_weak_on) if one.too_weak_on else f"{values.DASH} (not known without a rate)",
        )
    )
    return rows


if __name__ == "__main__":
    show()
