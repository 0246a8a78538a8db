"""Replay: what the tool would have said at each earlier month end on these very records, and what came of it."""

from __future__ import annotations

import json

import streamlit as st

from analytics.replays.document import as_json
from analytics.replays.results import Replay
from dashboard.figures.replay_causes import replay_causes
from dashboard.figures.replay_forecasts import MOST, replay_forecasts
from dashboard.figures.replay_leads import replay_leads
from dashboard.parts import chart, links, start, table, values
from dashboard.parts.words import CAUSE
from dashboard.seam import read, replaying

SHOW = ("judged", "missed", "all")
RUN = "run"


def show() -> None:
    """The whole page."""
    st.title("Replay")
    if not start.ready():
        return
    st.markdown(
        "What would have been said at the end of each earlier month, and what came of it. Nothing later takes part in what was "
        "said; records, corrections and settings are those of today."
    )
    result = _result()
    if result is None:
        return
    if not result.month_ends:
        st.info("The records do not reach over the end of a month yet: there is nothing to look back on.")
        return
    _forecasts(result)
    _leads(result)
    _alarms(result)
    _causes(result)
    _how(result)


def _result() -> Replay | None:
    """The replay, worked out where the address or the button asks for it."""
    found = replaying.kept()
    if found is not None:
        return found
    months, probes, seconds = replaying.cost()
    place = st.empty()
    if st.query_params.get(RUN) != "yes":
        with place.container():
            st.markdown(
                f"These are {values.count(months, 'month end')} of {values.count(probes, 'probe')}; it takes about "
                f"{values.number(max(seconds, 1.0), 's', digits=1)}, once for each change of the records."
            )
            if not st.button("Replay these records", type="primary", icon=":material/replay:"):
                return None
            st.query_params[RUN] = "yes"
    bar = place.progress(0.0, "Beginning")

    def tell(what: str, share: float) -> None:
        bar.progress(min(share, 1.0), what)

    try:
        return replaying.worked_out(tell)
    finally:
        place.empty()


def _forecasts(result: Replay) -> None:
    st.header("Did the forecasts hold?")
    st.markdown(
        f"{replaying.coverage_sentence(result.coverage, 'Forecasts with an early and a late end')}\n\n"
        f"{replaying.coverage_sentence(result.early_ends, 'Forecasts with an early end alone')}"
    )
    said = result.recalibration
    if said.needed:
        st.warning(
            f"{said.why} They are shown as they were given: this factor is a hint to whoever plans by them, "
            "and is not applied.",
            icon=":material/straighten:",
        )
    else:
        st.caption(said.why)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        show = st.segmented_control(
            "Forecasts", SHOW, default="judged", key="show", bind="query-params", required=True
        )
        probes = sorted({one.probe for one in result.forecasts})
        probe = st.selectbox(
            "Probe", probes, index=None, key="of", bind="query-params", placeholder="all probes", width=220
        )
        early = st.toggle("Early ends alone, too", key="early", bind="query-params")
    chosen = replaying.chosen(result, show or "judged", probe, early=early)
    if not chosen:
        st.info("There is no such forecast.", icon=":material/event_busy:")
        return
    picked = chart.show(
        replay_forecasts(chosen, result.until),
        key="forecasts",
        select=True,
        alt=f"{min(len(chosen), MOST)} forecasts as horizontal intervals, grouped by series, each with the day on which the "
        "limit was passed. The table below holds the same.",
    )
    st.caption(
        "One band a series, one line a month end, the oldest on top: from the early to the late end, with a mark at the median and a "
        "tick where it was said. The upright bar is the day the limit was passed, shaded over the days it may have been. "
        "Press a mark to see the probe as it was shown then."
        + (f" Drawn are the newest {MOST} of {len(chosen)}." if len(chosen) > MOST else "")
    )
    _follow(picked)
    table.show_data(
        replaying.forecast_table(chosen),
        key="forecasts",
        name="forecasts replayed",
        columns={
            "said_at": st.column_config.DateColumn("Said", format="D MMM YYYY"),
            "then": st.column_config.LinkColumn("As shown then", display_text="open"),
            "limit_pct": st.column_config.NumberColumn("Limit", format="%g %%"),
            "not_before": st.column_config.DateColumn("Not before", format="D MMM YYYY"),
            "about": st.column_config.DateColumn("About", format="D MMM YYYY"),
            "not_after": st.column_config.DateColumn("Not after", format="D MMM YYYY"),
            "passed_on": st.column_config.DateColumn("Passed", format="D MMM YYYY"),
        },
    )


def _follow(picked: object) -> None:
    """Leave for the probe of a picked mark, as it was on the day of the mark."""
    for point in getattr(getattr(picked, "selection", None), "points", None) or ():
        data = point.get("customdata")
        if data and len(data) == 2:
            st.switch_page(links.registered("probe"), query_params={"probe": str(data[0]), "as_of": str(data[1])})


def _leads(result: Replay) -> None:
    st.header("How early were the alarms?")
    st.markdown(replaying.lead_sentence(result.lead_times))
    if result.passings:
        picked = chart.show(
            replay_leads(result.passings),
            key="leads",
            select=True,
            alt=f"{len(result.passings)} passings of the tolerance, each with how many days before or after its first alarm "
            "came. The table below lists every alert.",
        )
        st.caption(
            "0 d is the day on which the tolerance was passed; left of it is before. "
            "Press a mark to see the probe as it was shown then."
        )
        _follow(picked)
    table.show_data(replaying.alert_table(result), key="alerts", name="alerts and their lead")


def _alarms(result: Replay) -> None:
    st.header("Alarms on sound probes")
    for sentence in replaying.alarm_sentences(result.alarm_rate, read.settings().alarms.budget_per_probe_year):
        st.markdown(sentence)


def _causes(result: Replay) -> None:
    st.header("Were the named causes right?")
    if not result.causes:
        st.info(
            "No outcomes recorded. Load a table `outcomes` with `probe`, `found_at` and `found`: what each service found, as one of "
            + ", ".join(f"`{one}`" for one in CAUSE)
            + ". Then this place shows how often a named cause was the right one.",
            icon=":material/fact_check:",
        )
        return
    told = result.reliability
    unnamed = len(result.causes) - told.named
    st.markdown(
        f"Just before {values.count(len(result.causes), 'finding')} on record, a cause was named {told.named} times, and was "
        f"**right {told.right} times**"
        + (f"; {unnamed} times none was named." if unnamed else ".")
        + (" So few say little: see the bars." if 0 < told.named < 20 else "")
    )
    if told.bins:
        chart.show(
            replay_causes(told),
            key="causes",
            alt="Share of named causes that were right against the probability given: "
            + "; ".join(f"{100 * one.mean_probability:.0f} %: {one.right} of {one.named}" for one in told.bins),
        )
        st.caption(
            "Along: the probability that was given, in bins. Up: how many of these were found to be so; below, right of named."
        )
    table.show_data(
        replaying.cause_table(result),
        key="causes",
        name="causes named and found",
        columns={"probability": st.column_config.NumberColumn("Probability", format="percent")},
    )


def _how(result: Replay) -> None:
    bounds = values.interval(result.coverage.bounds_pct, "%", digits=2)
    with st.expander("How this is told", icon=":material/info:"):
        st.markdown(
            f"- {values.count(len(result.month_ends), 'month end')}, from {values.day(result.month_ends[0])} to "
            f"{values.day(result.month_ends[-1])}; judged by what is on record up to {values.moment(result.until)}.\n"
            f"- The day on which the tolerance of {result.tolerance_pct:g} % was passed is read with hindsight, from the checks "
            "on both sides of it. It is an estimate with days it may lie between; a verdict that another of these days would "
            "change is marked *in doubt*.\n"
            "- A forecast counts at a month end where a check has come since the month end before. Forecasts on one drift hang "
            "together, so the interval of the share counts drifts and not months.\n"
            "- A forecast is open while its interval is not over, and stays so where a service began a new reference. "
            "A passing before the early end is told at once, one after the late end only when that is over, so with many open "
            f"ones the share may still move: were they all to miss, or all to hold, it would be {bounds}.\n"
            "- An alarm belongs to a passing where it stood when the limit was passed, or came after it. Alarms on one "
            "happening count once."
        )
    st.download_button(
        "Replay as JSON",
        lambda: json.dumps(as_json(result), indent=1),
        file_name="replay.json",
        mime="application/json",
        icon=":material/download:",
        on_click="ignore",
    )


if __name__ == "__main__":
    show()
