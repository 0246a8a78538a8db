"""What was forecast at an earlier moment: the crossing of every response series, as the answer of then gave it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.drift.state import DriftState, forecast_state
from analytics.replays.backdate import Pass, Then, as_days
from analytics.results import Crossing
from analytics.series import crossing_of


@dataclass(frozen=True)
class Said:
    """The forecast of one response series at one moment."""

    series: int  # code within the response table of the pass
    unit_began_days: float  # first counting of the unit in force then; tells the unit in the whole pass
    newest_days: float  # the newest check behind it
    in_force: bool  # no new reference had ended the unit by then
    by_window: bool  # forecast by the slide of the window, not by the response
    crossing: Crossing


def state_then(whole: Pass, at: Then) -> DriftState:
    """Level, drift and crossing of every unit at that moment, from what was dated at or before it."""
    tolerance = whole.settings.limits.tolerance_pct / 100.0
    counted = whole.counted
    return forecast_state(
        at.charts, at.quantities, counted.names, counted.response.keys, whole.records, tolerance, as_days(at.moment)
    )


def forecasts_then(whole: Pass, at: Then, state: DriftState | None = None) -> list[Said]:
    """Every crossing that the answer of that moment held, in the order of the series."""
    charts = at.charts
    state = state if state is not None else state_then(whole, at)
    newest = dict(zip(charts.rows.unit_series.tolist(), range(charts.rows.units), strict=True))  # later units win
    out = []
    for series, unit in sorted(newest.items()):
        at_days = float(state.trends.at_days[unit])
        if not np.isfinite(charts.corrected.alpha[unit]) or not np.isfinite(state.level[unit]):
            continue
        crossing = crossing_of(state, unit, at_days, whole.settings.limits.tolerance_pct)
        if crossing is None:
            continue
        out.append(
            Said(
                series,
                float(charts.rows.first_days[charts.rows.unit_first[unit]]),
                at_days,
                not np.isfinite(charts.unit_ends[unit]),
                bool(state.by_window[unit]),
                crossing,
            )
        )
    return out
