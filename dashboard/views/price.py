"""What watching costs: which limits keep a budget of false alarms, and how many days later a change is signalled for it."""

from __future__ import annotations

from typing import Any

import streamlit as st

from analytics.charts.price import BOUNDS, HABIT_PCT, Situation
from analytics.charts.price_basis import Basis
from analytics.charts.price_document import SAMPLE_DRIFT_PCT, SAMPLE_STEP_PCT
from analytics.errors import UserError
from dashboard.figures.price import price_curves
from dashboard.parts import chart, how_rarely, start, table, values
from dashboard.seam import pricing, read
from dashboard.seam.price_curves import CENTURY_DAYS

LEVER_PX = 385  # of each table of what would bring a signal sooner


def show() -> None:
    """The whole page."""
    st.title("What watching costs")
    if not start.ready():
        return
    st.markdown(
        "Limits that seldom cry wolf signal later. Choose how many false alarms a sound probe may give in a year, and see "
        "how many days pass until a loss is signalled."
    )
    own = pricing.own_fleet()
    try:
        asked = _asked(own)
        answer, found = pricing.priced(asked)
    except UserError as error:
        st.error(str(error), icon=":material/report:")
        return
    st.caption(_from(own))
    st.markdown(_in_short(asked, answer))
    chart.show(
        price_curves(found, asked.budget_per_probe_year),
        key="price",
        alt="Days until a loss is signalled against its size, one line for each budget of false alarms and one for a fixed limit; "
        "losses at once on the left, steady ones on the right. The table below holds the same.",
    )
    st.caption(
        "Both axes are logarithmic: each line falls with the size of the loss, and lies lower for a larger budget. The crossed "
        f"line is the old habit, one check beyond ±{HABIT_PCT:g} %. What takes longer than ten years lies above the picture."
    )
    days = st.column_config.NumberColumn(format="%.3g d")
    curves = pricing.curve_table(found)
    table.show_data(
        curves,
        key="price",
        name="what watching costs",
        columns={"loss": "A loss of", **{name: _headed(days, name) for name in curves.columns[1:]}},
    )
    _levers(answer)
    _limits(asked, answer)
    how_rarely.show(read.look(), asked.budget_per_probe_year)
    with st.expander("How this is told", icon=":material/info:"):
        st.markdown("\n".join(f"- {one}" for one in answer["assumed"]))


def _headed(column: Any, name: str) -> Any:
    return {**column, "label": name}


def _asked(own: Basis) -> Situation:
    """The four numbers, from the link or the fleet's own; each stands in the address once it is changed."""
    places = st.columns(4)
    budget = places[0].number_input(
        "False alarms a probe-year",
        *BOUNDS["budget"][:2],
        value=float(read.settings().alarms.budget_per_probe_year),
        step=0.01,
        format="%g",
        key="budget",
        bind="query-params",
        required=True,
        help="All rules and quantities of a probe together. 0.05 is one in twenty years of a probe.",
    )
    cadence = places[1].number_input(
        "Days between checks",
        *BOUNDS["cadence"][:2],
        value=round(own.cadence_days or 7.0, 1),
        step=1.0,
        format="%g",
        key="cadence",
        bind="query-params",
        required=True,
    )
    counts = places[2].number_input(
        "Net counts of a check",
        *BOUNDS["counts"][:2],
        value=_about(own.counts or 5000.0),
        step=1000.0,
        format="%g",
        key="counts",
        bind="query-params",
        required=True,
        help="Longer counting gives more of them.",
    )
    placing = places[3].number_input(
        "Placing spread, %",
        *BOUNDS["repositioning"][:2],
        value=_about(own.repositioning_pct or 1.0),
        step=0.1,
        format="%g",
        key="placing",
        bind="query-params",
        required=True,
        help="How far the response scatters from placing the probe anew, one standard deviation.",
    )
    return pricing.situation(budget, cadence, counts, placing)


def _about(value: float) -> float:
    """Two significant digits: a check more may move a median by a count, and each such move walks the charts for seconds."""
    return float(f"{value:.2g}")


def _from(own: Basis) -> str:
    if own.checks == 0:
        return "Your records hold no charted check yet: the numbers it begins with are usual ones, not yours."
    return (
        f"It begins with the medians of your own fleet, {values.count(own.checks, 'check')} of their newest year: every "
        f"{values.number(own.cadence_days, 'd', digits=2)}, {values.whole(_about(own.counts or 0.0))} counts, "
        f"{values.number(own.repositioning_pct, '%', digits=2)} of placing."
    )


def _in_short(asked: Situation, answer: dict[str, Any]) -> str:
    step = next(one for one in answer["steps"] if one["loss_pct"] == SAMPLE_STEP_PCT)
    drift = next(one for one in answer["drifts"] if one["loss_pct_per_year"] == SAMPLE_DRIFT_PCT)
    alarms = answer["false_alarms_per_probe_year"]
    return (
        f"A check scatters by **{values.number(asked.noise_pct, '%', digits=2)}** "
        f"({values.number(asked.counting_pct, '%', digits=2)} counting, {values.number(asked.placing_pct, '%', digits=2)} placing). "
        f"A loss of {SAMPLE_STEP_PCT:g} % at once is signalled after **{said(step['days'])}**, by the fixed limit after "
        f"{said(step['days_fixed_limit'])}; a loss of {SAMPLE_DRIFT_PCT:g} % a year after **{said(drift['days'])}**, when "
        f"{values.number(drift['lost_by_then_pct'], '%', digits=2)} are lost, by the fixed limit after "
        f"{said(drift['days_fixed_limit'])}. The fixed limit would give {often(alarms['fixed_limit'])} at this scatter."
    )


def often(alarms_per_year: float) -> str:
    """False alarms a probe-year, in words where there is hardly any.

    >>> often(0.25), often(6e-6)
    ('0.25 false alarms a probe-year', 'less than one false alarm in a thousand probe-years')
    """
    if alarms_per_year < 1e-3:
        return "less than one false alarm in a thousand probe-years"
    return f"{values.number(alarms_per_year, digits=2)} false alarms a probe-year"


def said(days: float | None) -> str:
    """Days in the unit a person would choose.

    >>> said(14.04), said(1500.0), said(None)
    ('14 d', '4.1 years', 'more than a century')
    """
    if days is None or days > CENTURY_DAYS:
        return "more than a century"
    return f"{days:.3g} d" if days < 730 else f"{days / 365.25:.2g} years"


def _levers(answer: dict[str, Any]) -> None:
    st.header("What would bring it sooner")
    days = st.column_config.NumberColumn(format="%.3g d")
    heads = {
        "step": _headed(days, f"{SAMPLE_STEP_PCT:g} % at once"),
        "drift": _headed(days, f"{SAMPLE_DRIFT_PCT:g} % a year"),
    }
    beside = st.container(horizontal=True, gap="small")  # as many beside each other as there is room for
    left, middle, right = (beside.container(width=LEVER_PX) for _ in range(3))
    with left:
        st.markdown("**Counting longer.** Beyond what placing adds, it gains nothing: the last row counts for ever.")
        st.dataframe(
            pricing.sample_table(answer["counting_time"], "times"),
            hide_index=True,
            placeholder="endless",
            key="counting",
            alt="Delay against counting time",
            column_config={
                "times": st.column_config.NumberColumn("Counting time", format="%g ×"),
                "counts": st.column_config.NumberColumn("Counts", format="%.0f"),
                "check_pct": st.column_config.NumberColumn("Scatter", format="%.2f %%"),
                **heads,
            },
        )
    with middle:
        st.markdown("**Checking more often.** The budget stays that of a year, so each check is allowed less.")
        st.dataframe(
            pricing.sample_table(answer["cadence"], "cadence_days"),
            hide_index=True,
            key="cadences",
            alt="Delay against cadence",
            column_config={"cadence_days": st.column_config.NumberColumn("Every", format="%g d"), **heads},
        )
    with right:
        st.markdown("**Allowing more false alarms.** What every further one buys.")
        st.dataframe(
            pricing.sample_table(answer["budget"], "budget_per_probe_year"),
            hide_index=True,
            key="budgets",
            alt="Delay against the budget of false alarms",
            column_config={
                "budget_per_probe_year": st.column_config.NumberColumn("A probe-year", format="%g"),
                **heads,
            },
        )


def _limits(asked: Situation, answer: dict[str, Any]) -> None:
    st.header("Which limits keep the budget")
    alarms = answer["false_alarms_per_probe_year"]
    st.markdown(
        f"The budget of {asked.budget_per_probe_year:g} is shared out. The dead band of {asked.dead_band_pct:g} % brings the "
        f"response from {values.number(alarms['response_allowed'], digits=2)} to "
        f"{values.number(alarms['response_behind_dead_band'], digits=2)} false alarms a probe-year: the room it leaves is for what "
        "the common movement of the source leaves over."
    )
    st.dataframe(
        pricing.share_table(answer),
        hide_index=True,
        key="shares",
        alt="Shares of the budget and where each family of rules signals",
        column_config={
            "what": st.column_config.TextColumn("Rules", width="medium"),
            "share": st.column_config.NumberColumn("Share", format="%g %%"),
            "a_year": st.column_config.NumberColumn("False alarms a year", format="%.3g"),
            "every": st.column_config.NumberColumn("Every", format="%g d"),
            "checks": st.column_config.NumberColumn("Checks between", format="%.0f"),
            "signals_at": "Signals at",
        },
    )
    alone = answer["limits"]["repeat_asked_beyond_pct"]
    newest = [one for one in answer["limits"]["mean_of_newest"] if one["checks"] > 1 or one["off_pct"] < alone]
    st.markdown(
        "In plain numbers: the response signals once the mean of its newest checks lies off by "
        + ", ".join(f"**{one['off_pct']:.1f} %** ({values.count(one['checks'], 'check')})" for one in newest)
        + f". A single check more than {values.number(alone, '%', digits=2)} off asks for a "
        "repeat instead."
    )


if __name__ == "__main__":
    show()
