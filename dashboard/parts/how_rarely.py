"""How rarely this fleet may be checked: days out of tolerance unseen, by the interval between checks."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial

import pandas as pd
import streamlit as st

from analytics.advice.check_interval import IntervalAdvice, interval_advice, noise_pct, probe_years
from dashboard.figures.how_rarely import how_rarely
from dashboard.parts import chart, links, table, values
from dashboard.seam import keep, read


def show(look: read.Look, budget_per_probe_year: float) -> None:
    """Choose the days that are accepted, see the longest interval that keeps to them, and what each interval costs."""
    st.header("How rarely may this fleet be checked?", anchor="interval")
    accepted = st.number_input(
        "Days out of tolerance unseen, accepted a probe-year",
        min_value=0.01,
        max_value=100.0,
        value=1.0,
        format="%g",
        key="accepted",
        bind="query-params",
        width=360,
        help="Expected days in a year on which a probe is beyond its tolerance limit and no chart has said so.",
    )
    if not st.toggle("Work it out from the losses on record", key="interval", bind="query-params"):
        st.caption("Each loss this fleet has shown is let happen again at every interval; that takes a few seconds.")
        return
    with st.spinner("Letting the losses on record happen again …"):
        found = keep.kept(
            look, partial(advice, look, budget_per_probe_year, accepted), "interval", budget_per_probe_year, accepted
        )
    if found.missing:
        st.info(f"Undetermined. {links.escape(found.missing)}", icon=":material/help:")
        return
    if found.advised_days is None:
        st.warning(
            f"No interval keeps to {accepted:g} days: even daily checks leave {found.prices[0].unseen_days:.2g}.",
            icon=":material/report:",
        )
    else:
        st.markdown(
            f"**Every {found.advised_days:g} days** is the longest of these intervals that keeps to {accepted:g} d a probe-year."
        )
    chart.show(
        how_rarely(found),
        key="how-rarely",
        alt="Expected days out of tolerance unseen, a probe-year, against the interval between checks, with the accepted level.",
    )
    links.sentence(
        f"{values.count(len(found.faults), 'loss', 'losses')} on record in {found.probe_years:.3g} probe-years: "
        + "; ".join(
            f"{links.inline('probe', one.probe, probe=one.probe)} {one.size:.3g} %"
            f"{' a year' if one.kind == 'drift' else ' at once'}"
            for one in found.faults
        )
        + ". A loss that no check can see (a shield moved, a window never checked) is not in it."
    )
    table.show_data(pd.DataFrame([asdict(one) for one in found.prices]), key="how-rarely", name="days unseen by interval")


def advice(look: read.Look, budget_per_probe_year: float, accepted_days: float) -> IntervalAdvice:
    """The advice for what is on record."""
    return interval_advice(
        look.assessment,
        probe_years(look.records.readings, look.as_of),
        budget_per_probe_year,
        look.settings.limits.tolerance_pct,
        accepted_days,
        noise_pct(look.assessment),
        look.settings.limits.dead_band_pct,
    )
