"""All charts of one probe brought together as evidence."""

from __future__ import annotations

import numpy as np

from analytics.advice.companions import Companion
from analytics.advice.evidence import Evidence
from analytics.baseline.rows import Ints
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.drift.state import Z90, DriftState, per_year
from analytics.results import Alert
from analytics.words import day

LEVEL_RULES = ("change_point", "cusum", "ewma", "drift", "action_level", "tolerance", "outside_limits", "same_side")
RECENT_CHECKS = 30  # checks over which lone outliers are counted
WINDOW_MOVED_Z, WINDOW_MOVED_PCT = 3.0, 0.6
WIDTH_GREW_Z, WIDTH_GREW_PCT = 3.0, 0.7


def gather(
    probe: int,
    name: str,
    charts: ResponseCharts,
    state: DriftState,
    quantities: list[QuantityChart],
    units: Ints,
    open_alerts: list[Alert],
    companion: dict[int, Companion],
    not_silent: bool,
) -> Evidence:
    """Evidence for one probe. units: its response units in force (one a series)."""
    e = Evidence(name, open_rules={a.rule for a in open_alerts}, no_signal=not not_silent)
    scatter = {a.direction for a in open_alerts if a.rule == "scatter"}
    e.scatter_high, e.scatter_low, e.repeats_off = "high" in scatter, "low" in scatter, "both" in scatter
    e.background_high = "background" in e.open_rules
    _level(e, charts, state, units, open_alerts)
    for unit in units:
        if int(unit) in companion:
            e.companion, e.companion_text = companion[int(unit)].name, companion[int(unit)].text
        _outliers(e, charts, int(unit))
    _windows_differ(e, charts, state, units)
    for chart in quantities:
        mine = np.flatnonzero(chart.keys.probe[chart.series] == probe) if len(chart.series) else np.zeros(0, np.int64)
        if len(mine) == 0:
            continue
        newest = int(mine[np.argmax(chart.at_days[mine])])
        in_force = mine[chart.unit[mine] == chart.unit[newest]]
        if chart.quantity == "background":
            base = float(chart.centre[newest])
            e.background_factor = float(chart.value[newest]) / base if base > 0 else None
        elif chart.quantity == "side":
            e.side_high = "side" in e.open_rules
            e.side_factor = float(chart.value[newest] / chart.centre[newest]) if chart.centre[newest] > 0 else None
        elif len(in_force) >= 2:
            z, shift = float(chart.chart.z[newest]), float(chart.value[newest] - chart.centre[newest])
            if chart.quantity == "window_shift":
                least = 0.06 if chart.log_scale[newest] else WINDOW_MOVED_PCT
                e.window_moved = bool(
                    "window_shift" in e.open_rules or (abs(z) > WINDOW_MOVED_Z and abs(shift) > least)
                )
                e.window_shift_z, e.window_shift_pct = z, None if chart.log_scale[newest] else shift
                e.window_after_onset = e.onset_days is not None and chart.at_days[newest] >= e.onset_days + 20.0
            elif chart.quantity == "window_width":
                e.width_grew = z > WIDTH_GREW_Z and shift > WIDTH_GREW_PCT
    return e


def _level(e: Evidence, charts: ResponseCharts, state: DriftState, units: Ints, open_alerts: list[Alert]) -> None:
    """Level and drift of the response series that moved most surely."""
    alpha = charts.corrected.alpha
    known = [int(u) for u in units if np.isfinite(state.level[u]) and np.isfinite(alpha[u])]
    if not known:
        return
    worst = max(known, key=lambda u: abs(state.level[u] - alpha[u]) / max(float(state.level_sd[u]), 1e-6))
    change, sd = float(state.level[worst] - alpha[worst]), float(state.level_sd[worst])
    e.change_pct = 100.0 * float(np.expm1(change))
    e.change_interval_pct = (100.0 * float(np.expm1(change - Z90 * sd)), 100.0 * float(np.expm1(change + Z90 * sd)))
    e.direction = "low" if change < 0 else "high"
    # Of the reference, as the answer's field has it: per cent of what the probe was, not of what it is now.
    of_reference = 100.0 * float(np.exp(change))
    e.slope_pct_per_year = of_reference * per_year(float(state.slope[worst]))
    e.slope_interval_pct = (
        of_reference * per_year(float(state.slope_low[worst])),
        of_reference * per_year(float(state.slope_high[worst])),
    )
    e.probability_ramp = float(state.trends.probability_ramp[worst])
    e.probability_step = float(state.trends.probability_step[worst])
    e.step_pct = 100.0 * float(np.expm1(state.trends.step_size[worst]))
    e.probability_outside = max(float(state.probability_outside[u]) for u in known)
    onsets = [a.onset_estimate for a in open_alerts if a.onset_estimate is not None and a.rule in LEVEL_RULES]
    if onsets:
        e.onset_days = (min(onsets) - min(onsets).__class__(1970, 1, 1)).total_seconds() / 86400.0
        e.onset = day(e.onset_days)


def _outliers(e: Evidence, charts: ResponseCharts, unit: int) -> None:
    rows = charts.rows
    part = slice(int(rows.unit_first[unit]), int(rows.unit_first[unit + 1]))
    last = np.flatnonzero(rows.last[part])[-RECENT_CHECKS:]
    z, lone = charts.outliers.z_local[part][last], charts.outliers.pending[part][last]
    e.outliers += int(lone.sum())
    e.outliers_low += int((lone & (z < 0)).sum())


def _windows_differ(e: Evidence, charts: ResponseCharts, state: DriftState, units: Ints) -> None:
    """Two windows of one probe: a gain shift moves them by different amounts, a loss of efficiency by the same."""
    alpha, sets = charts.corrected.alpha, []
    for u in units:
        if np.isfinite(alpha[u]) and state.trends.checks[u] >= 5:
            sets.append(
                (
                    float(state.level[u] - alpha[u]),
                    float(np.hypot(state.level_sd[u], np.sqrt(charts.corrected.alpha_var[u]))),
                )
            )
    if len(sets) < 2:
        return
    low, high = min(sets), max(sets)
    gap, sd = high[0] - low[0], float(np.hypot(low[1], high[1]))
    if gap > max(0.04, 4.0 * sd):
        e.windows_disagree = True
    elif sd < 0.012:
        e.windows_disagree = False
