"""What was forecast at an earlier moment: the crossing of every response series, as the answer of then gave it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.drift.shift import shift_forecasts
from analytics.drift.state import DriftState, drift_state
from analytics.fleet import alarmed_units
from analytics.replays.backdate import Pass, Then, as_days
from analytics.results import Crossing
from analytics.series import crossing_of, slide_crossing


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
    """Level, drift and crossing of every unit at that moment."""
    tolerance = whole.settings.limits.tolerance_pct / 100.0
    return drift_state(at.charts, alarmed_units(at.charts), tolerance, as_days(at.moment))


def forecasts_then(whole: Pass, at: Then, state: DriftState | None = None) -> list[Said]:
    """Every crossing that the answer of that moment held, in the order of the series."""
    tolerance = whole.settings.limits.tolerance_pct
    charts, names = at.charts, whole.counted.names
    state = state if state is not None else state_then(whole, at)
    slides = shift_forecasts(at.quantities, names, whole.records, tolerance / 100.0, as_days(at.moment))
    window_keys = next(one.keys for one in at.quantities if one.quantity == "window_shift")
    sliding = {(int(window_keys.probe[one.series]), int(window_keys.window[one.series])): one for one in slides}
    keys = whole.counted.response.keys
    newest = dict(zip(charts.rows.unit_series.tolist(), range(charts.rows.units), strict=True))  # later units win
    out = []
    for series, unit in sorted(newest.items()):
        alpha, level = charts.corrected.alpha[unit], state.level[unit]
        if not np.isfinite(alpha) or not np.isfinite(level):
            continue
        at_days = float(state.trends.at_days[unit])
        crossing = crossing_of(state, unit, at_days, tolerance)
        slide = sliding.get((int(keys.probe[series]), int(keys.window[series])))
        beyond = abs(level - alpha) > -np.log1p(-tolerance / 100.0)
        if slide is not None and not beyond:
            crossing = slide_crossing(slide, tolerance)
            at_days = slide.at_days
        if crossing is None:
            continue
        out.append(
            Said(
                series,
                float(charts.rows.first_days[charts.rows.unit_first[unit]]),
                at_days,
                not np.isfinite(charts.unit_ends[unit]),
                slide is not None and not beyond,
                crossing,
            )
        )
    return out
