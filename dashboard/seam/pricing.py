"""What watching costs, as its page reads it: the fleet's own medians to begin with, curves and tables, each kept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
import streamlit as st

from analytics.charts.price import HABIT_PCT, Situation, habit_checks, mean_checks
from analytics.charts.price_basis import Basis, basis_of
from analytics.charts.price_document import BUDGETS, price_document
from analytics.errors import UserError
from dashboard.seam import keep, read

CURVE_STEPS_PCT = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0)
CURVE_DRIFTS_PCT_PER_YEAR = (2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0, 40.0)
CENTURY_DAYS = 36525.0
# Where there is no fleet yet: weekly, 5000 counts, 1 % of placing (common practice, no source).
WITHOUT_FLEET = Basis(0, 0, 7.0, 5000.0, 1.0)


@dataclass(frozen=True)
class Curve:
    """Days to a signal against the size of the change; None where it does not come within a century."""

    name: str
    kind: str  # "step", "drift"
    budget: float | None  # None: the old habit
    size: tuple[float, ...]  # per cent, per cent a year
    days: tuple[float | None, ...]


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


@st.cache_resource(max_entries=64, show_spinner="Walking the charts …")
def document(asked: Situation, reference_readings: int, window_cadence_days: float | None) -> dict[str, Any]:
    """The whole answer, as ``steadycount design --json`` gives it."""
    return price_document(asked, reference_readings=reference_readings, window_cadence_days=window_cadence_days)


@st.cache_resource(max_entries=64, show_spinner="Walking the charts …")
def curves(asked: Situation) -> tuple[Curve, ...]:
    """One curve a budget and kind of change, the budget asked for among them, and the old habit's."""
    found = []
    for kind, sizes in (("step", CURVE_STEPS_PCT), ("drift", CURVE_DRIFTS_PCT_PER_YEAR)):
        for budget in sorted({*BUDGETS, asked.budget_per_probe_year}):
            try:
                other = replace(asked, budget_per_probe_year=budget)
            except UserError:  # a cadence at which this budget is not computed
                continue
            days = tuple(_days(mean_checks(other, kind, size)[0], asked) for size in sizes)
            found.append(Curve(f"{budget:g} a probe-year", kind, budget, sizes, days))
        habit = tuple(_days(habit_checks(asked, kind, size), asked) for size in sizes)
        found.append(Curve(f"fixed ±{HABIT_PCT:g} %", kind, None, sizes, habit))
    return tuple(found)


def _days(checks: float, asked: Situation) -> float | None:
    days = checks * asked.cadence_days
    return days if days <= CENTURY_DAYS else None


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
        f"{value:.3g} {word}" for name, value in one.items() for end, word in words.items() if name.endswith(end)
    ]
    return "; ".join(parts) or "below the decision limit, twice"


def sample_table(rows: list[dict[str, Any]], first: str) -> pd.DataFrame:
    """Delays of the two sample changes against counting time or cadence; ``first`` names the column of the latter."""
    made = pd.DataFrame(rows).astype("float64")
    step, drift = (name for name in map(str, made.columns) if name.startswith("days_"))
    made = made.rename(columns={step: "step", drift: "drift"})
    return made[[first, *(["counts", "check_pct"] if "check_pct" in made else []), "step", "drift"]].replace(np.inf, np.nan)
