"""After a check is saved: the full verdict, whom to call, who stands in, and the correction of one's own entries."""

from __future__ import annotations

from datetime import datetime

import pandas as pd
import streamlit as st

from analytics.advice.bench_verdict import STRICT, BenchVerdict
from analytics.errors import UserError
from analytics.results import PatientUse, ProbeResult
from dashboard.parts import links, person, reasons, values
from dashboard.parts.bench_words import BENCH
from dashboard.parts.words import CAUSE, PATIENT_USE, PROBE
from dashboard.seam import act_record, bench, read

BARRED = "\u25bc"  # the mark of what patients must not be served with, now
CORRECTED = "b_corrected"  # in the visit's state: how many corrections were made
HEADING = PATIENT_USE | {"repeat_first": "for patients only after a good repeat"}
MEASUREMENT = {
    "background": "background",
    "source": "on the source",
    "window_below": "window below",
    "window_above": "window above",
    "side": "beside the shaft",
}
CORRECTABLE = {
    "counts": "counts",
    "count_time_s": "counting time, s",
    "source": "check source",
    "jig": "jig",
    "readout": "control unit",
}


def standing(one: ProbeResult) -> str:
    """Where a probe stands, in words and with its mark, as Markdown."""
    status = PROBE[one.advice]
    return f"{status.mark} **{status.word}**, {PATIENT_USE[one.patient_use]}"


def show(probe: str, begun: str) -> None:
    """What became of the check of a probe that began at ``begun`` (ISO 8601)."""
    look = read.newest()
    try:
        rows = bench.countings_of(look.records, probe, datetime.fromisoformat(begun).replace(tzinfo=None))
    except ValueError:
        rows = look.records.readings.head(0)
    if rows.empty:
        st.info(
            "The countings of this check are not in the records: it was taken back, or the address is not a check's.",
            icon=":material/undo:",
        )
        _next(None)
        return
    operator = rows["operator"].dropna()
    by = str(operator.iloc[0]) if len(operator) else ""
    st.success(
        f"Saved: {probe}, {values.moment(rows['taken_at'].iloc[0])}" + (f", by {by}" if by else "") + ".",
        icon=":material/check:",
    )
    one = look.assessment.probe(probe)
    entered = bench.as_entered(rows)
    _, verdict = bench.judged(look, entered, look.as_of)
    stricter = max(one.patient_use, verdict.patient_use, key=STRICT.index)
    with st.container(border=True, key="answer"):
        _answer(look, one, verdict, stricter)
    if stricter != "allowed" or one.advice in ("service", "retire"):
        call_and_spares(look, probe)
    _next(probe, repeat=verdict.repeat)
    with st.expander("What was entered", icon=":material/list:"):
        st.dataframe(
            rows.assign(what=rows["measurement"].astype("object").map(MEASUREMENT))[
                ["taken_at", "what", "counts", "count_time_s", "source", "window", "jig", "readout", "reseated", "note"]
            ],
            hide_index=True,
            placeholder=values.DASH,
            alt="The countings of this check",
            column_config={
                "taken_at": st.column_config.DatetimeColumn("Taken at", format="D MMM YYYY HH:mm:ss"),
                "what": "What",
                "counts": "Counts",
                "count_time_s": "Time, s",
                "source": "Source",
                "window": "Window",
                "jig": "Jig",
                "readout": "Control unit",
                "reseated": "Reseated",
                "note": "Note",
            },
        )
        _correct(look, rows, by)


def _answer(look: read.Look, one: ProbeResult, verdict: BenchVerdict, stricter: PatientUse) -> None:
    """The probe's answer with this check in it, and what this check says by itself; the stricter holds for patients."""
    status, bench_status = PROBE[one.advice], BENCH[verdict.word]
    check = f"This check: {bench_status.mark} **{bench_status.word}**. " + links.escape(" ".join(verdict.sentences))
    if stricter == "allowed":
        st.header(f"{status.mark} {one.probe}: {status.word}")
        st.markdown(f"**{PATIENT_USE[stricter]}**. {status.means}")
        st.markdown(check)
    else:  # what holds for patients comes first: whoever stands at the bench reads no further
        st.header(f"{BARRED} {one.probe}: {HEADING[stricter]}")
        st.markdown(check)
        st.markdown(f"The probe: {status.mark} **{status.word}**. {status.means}")
    if one.cause != "none" and not any("cause" in reason for reason in one.reasons):
        sure = f" (probability {values.chance(one.cause_probability)})" if one.cause_probability is not None else ""
        st.markdown(f"Likely cause: {CAUSE[one.cause]}{sure}.")
    reasons.show(one.reasons, missing=one.missing)
    for series in look.assessment.series_of(one.probe, "response"):
        if series.current is not None:
            st.caption(
                f"{series.window}: {values.number(series.current_pct, '% of its reference', digits=4)}"
                f" ({values.interval(series.current_interval, series.unit)}, 90 %), "
                f"{values.count(series.readings, 'check')}"
            )


def call_and_spares(look: read.Look, probe: str) -> None:
    """Whom to call and which probe of the site can be used instead."""
    whom = look.settings.site.call_on_failure.strip()
    st.markdown(
        f":material/call: **Call {links.escape(whom)}.**"
        if whom
        else ":material/call: Call the responsible physicist. (Whom else to call can be named on the page Settings, section site.)"
    )
    spares = bench.fit_spares(look.assessment, probe)
    if not spares:
        st.markdown(":material/swap_horiz: No other fit probe is known on this site.")
        return
    st.markdown(f":material/swap_horiz: Fit on this site instead ({len(spares)}):")
    with st.container(horizontal=True, gap="small"):
        for one in spares[:6]:
            links.to(
                "probe",
                f"{PROBE[one.advice].mark} {one.probe}",
                probe=one.probe,
                hint=f"{PROBE[one.advice].word}, last check {values.ago(one.latest_check_at, look.as_of)}",
            )


def _next(probe: str | None, *, repeat: bool = False) -> None:
    """Where to go on. repeat: this check asks for a reseated one, which is then the next thing to do."""
    with st.container(horizontal=True, vertical_alignment="center", key="save"):
        if probe is not None and repeat:
            st.button("Seat it again and repeat", type="primary", icon=":material/restart_alt:", on_click=_again, args=(probe,))
        st.button(
            "Next probe", type="secondary" if repeat else "primary", icon=":material/barcode_scanner:", on_click=_again, args=("",)
        )
        if probe is not None:
            if not repeat:
                st.button("The same probe again", icon=":material/restart_alt:", on_click=_again, args=(probe,))
            links.to("probe", "Its story", probe=probe, icon=":material/show_chart:")


def _again(probe: str) -> None:
    for name in ("saved", "at"):
        st.query_params.pop(name, None)
    st.session_state["probe"] = probe


def _correct(look: read.Look, rows: pd.DataFrame, by: str) -> None:
    """Mend a typing error in one's own entry, until the probe is checked again."""
    if bench.later_reading(look.records, rows):
        st.caption(
            "The probe was read again since: these entries stand. A wrong one can be excluded, with a reason, on "
            "the page of the probe."
        )
        return
    name = person.name_field(key="person_correct")
    if not name or name != by:
        st.caption(
            f"Only {by or 'who entered them'} can correct these here, until the next check of this probe."
            if name != by and name
            else "Give your name to correct your own entries."
        )
        return
    labels = {
        int(row["reading_id"]): f"{MEASUREMENT[row['measurement']]}, {row['taken_at']:%H:%M:%S}, "
        f"{row['counts']:.0f} in {row['count_time_s']:g} s"
        for row in rows.to_dict("records")
    }
    done = st.session_state.get(CORRECTED, 0)  # a new form after each: what was typed was for another counting
    with st.form(f"correct-{done}", border=False):
        reading = st.selectbox("Which counting", list(labels), format_func=labels.__getitem__)
        column = st.selectbox("What", list(CORRECTABLE), format_func=CORRECTABLE.__getitem__)
        value = st.text_input("Right value")
        reason = st.text_input("Why", placeholder="such as: typing error")
        if st.form_submit_button("Correct", icon=":material/edit:"):
            try:
                act_record.correct(reading, column, value.strip(), by=name, reason=reason)
            except UserError as error:
                st.error(str(error))
                return
            st.session_state[CORRECTED] = done + 1
            st.rerun()
