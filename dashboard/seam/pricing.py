"""What watching costs, as its page reads it: the fleet's own medians to begin with, curves and tables, each kept."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
import streamlit as st

from analytics.charts.price import Situation
from analytics.charts.price_basis import Basis, basis_of
from analytics.charts.price_document import price_document
from dashboard.seam import answers, keep, read, worker
from dashboard.seam.price_curves import Curve, curves

# Where there is no fleet yet: weekly, 5000 counts, 1 % of placing (common practice, no source).
WITHOUT_FLEET = Basis(0, 0, 7.0, 5000.0, 1.0)


_kept = worker.Kept(most=64)


def own_fleet() -> Basis:
    """Cadence, counts and spread of the store's own fleet; usual values for what its records do not tell."""
    look = read.look()
    found = keep.kept(look, partial(basis_of, look.assessment, look.records.readings), "price basis")
    lacking = {
        name: getattr(WITHOUT_FLEET, name)
        for name in ("cadence_days", "counts", "repositioning_pct")
        if getattr(found, name) is None
    }
    return replace(found, **lacking)


def situation(budget: float, cadence_days: float, counts: float, repositioning_pct: float) -> Situation:
    """What is asked for, with the dead band in force; UserError for what cannot be meant."""
    return Situation(budget, cadence_days, counts, repositioning_pct, read.settings().limits.dead_band_pct)


def priced(asked: Situation) -> tuple[dict[str, Any], tuple[Curve, ...]]:
    """The whole answer, as ``steadycount design --json`` gives it, and one curve a budget and kind of change.

    Raises:
        StillWorkingError: they are being worked out, which takes some seconds; not where the store is a small one.
    """
    settings = read.settings()
    given = (asked, settings.reference.readings, settings.schedule.window_check_days)
    if len(read.records().readings) <= answers.AT_ONCE:
        return _at_once(*given)
    ask = partial(worker.beside.ask, "price", *given, says="Walking the charts", about_s=4.0)
    found: tuple[dict[str, Any], tuple[Curve, ...]] = _kept.have(given, ask)
    return found


@st.cache_resource(max_entries=64, show_spinner="Walking the charts …")
def _at_once(asked: Situation, reference_readings: int, window_cadence_days: float | None) -> tuple[dict[str, Any], tuple[Curve, ...]]:
    document = price_document(asked, reference_readings=reference_readings, window_cadence_days=window_cadence_days)
    return document, curves(asked)


def curve_table(found: tuple[Curve, ...]) -> pd.DataFrame:
    """The numbers of the picture, one row a change, one column a budget; missing: not within a century."""
    rows: dict[tuple[str, float], dict[str, float | None]] = {}
    for one in found:
        for size, days in zip(one.size, one.days, strict=True):
            rows.setdefault((one.kind, size), {})[one.name] = None if days is None else float(f"{days:.3g}")
    units = {"step": "% at once", "drift": "% a year"}
    return pd.DataFrame([{"loss": f"{size:g} {units[kind]}", **days} for (kind, size), days in rows.items()])


def share_table(answer: dict[str, Any]) -> pd.DataFrame:
    """What each family of rules may spend, and where it signals."""
    rows = [
        {
            "what": one["what"],
            "share": 100.0 * one["share"],
            "a_year": one["false_alarms_per_probe_year"],
            "every": one["cadence_days"],
            "checks": one["checks_between_false_alarms"],
            "signals_at": _signals_at(one),
        }
        for one in answer["limits"]["shares"]
    ]
    return pd.DataFrame(rows)


def _signals_at(one: dict[str, Any]) -> str:
    words = {"_nats": "nats", "_sd": "standard deviations", "_sum": "of the sum of z²"}
    parts = [
        f"{'rise ' if name.startswith('rise_') else ''}{value:.3g} {word}" for name, value in one.items() for end, word in words.items() if name.endswith(end)
    ]
    return "; ".join(parts) or "below the decision limit, twice"


def sample_table(rows: list[dict[str, Any]], first: str) -> pd.DataFrame:
    """Delays of the two sample changes against counting time or cadence; ``first`` names the column of the latter."""
    made = pd.DataFrame(rows).astype("float64")
    step, drift = (name for name in map(str, made.columns) if name.startswith("days_"))
    made = made.rename(columns={step: "step", drift: "drift"})
    return made[[first, *(["counts", "check_pct"] if "check_pct" in made else []), "step", "drift"]].replace(np.inf, np.nan)
