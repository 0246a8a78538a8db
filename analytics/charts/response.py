"""All charts of the response of the whole fleet, and the alarms they opened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd

from analytics.baseline.forward import Corrected, Earlier, SharedPriors, Votes, Walk, walk, walk_by_months
from analytics.baseline.noise import FleetPlacing
from analytics.baseline.rows import Bools, Floats, Rows, build_rows
from analytics.charts.begin_anew import Back, begun_anew
from analytics.charts.budget import LOSS_SHARE, checks_between_false_alarms, run_lengths_of_sides
from analytics.charts.core import CoreChart, chart_of, core_inputs, interval_days
from analytics.charts.levels_reached import LAGS, newest, passes_level, recent_deviation
from analytics.charts.openings import Opening, open_and_settle
from analytics.charts.outliers import LOOK_BACK, Outliers, find_outliers
from analytics.charts.running import running_sums
from analytics.charts.slope import (
    RISK_AFTER_SERVICE_PER_BUDGET,
    RISK_PER_BUDGET,
    after_service,
    slope_chart,
    slope_limit,
)
from analytics.charts.spread import SpreadChart, spread_chart
from analytics.counting.arrays import Codes
from analytics.counting.columns import Names
from analytics.counting.response import CountingOf, expected_log_var
from analytics.counting.tables import Responses
from analytics.results import Direction, Rule
from analytics.settings import Settings

LEVEL_RULES = ("change_point", "cusum", "action_level", "tolerance", "drift")
CALM_SHARE = 0.6  # of its limit, below which a line is no longer steep
LEAST_TOGETHER = 2  # checks that must have moved together: one alone never alarms
JUDGED_FROM = LOOK_BACK - 1  # ordinal of the check from which it is known which of a unit's first ones stand alone
SETTLE_CHECKS = 6  # newest checks that must agree with the reference before an alarm counts as settled


@dataclass(frozen=True)
class ResponseCharts:
    """Rows and everything that was made of them; arrays per row unless said otherwise."""

    rows: Rows
    corrected: Corrected
    outliers: Outliers
    core: CoreChart
    spread: SpreadChart
    ratio: Floats  # largest statistic in force over its threshold
    openings: list[Opening]
    unit_ends: Floats  # [units] day on which a new reference ended the unit, inf where it is in force


def unit_ends(rows: Rows, events: pd.DataFrame, names: Names) -> Floats:
    """Day of the first new reference after the unit began; inf where there is none."""
    from analytics.baseline.rows import reference_epochs

    probe, at = reference_epochs(events, names)
    out = np.full(rows.units, np.inf)
    began = rows.first_days[rows.unit_first[:-1]] if rows.units else np.zeros(0)
    for code in np.unique(probe):
        mine = np.flatnonzero(rows.unit_probe == code)
        moments = np.append(at[probe == code], np.inf)
        out[mine] = moments[np.searchsorted(moments, began[mine], side="right")]
    return out


def pass_by_months(
    rows: Rows, states: Responses, activity_variance: Floats, settings: Settings, edges: Floats | None = None
) -> Walk:
    """The forward pass with the settings in force, month by month; edges as in ``forward.walk_by_months``."""
    counting = CountingOf.states(states)  # all that the pass keeps of them: a large fleet's are not held from month to month
    return pass_over(rows, counting, states.log_var[rows.index], states.placements[rows.index], activity_variance, settings, edges)


def pass_over(
    rows: Rows, counting: CountingOf, log_var: Floats, placements: Codes, activity_variance: Floats, settings: Settings,
    edges: Floats | None = None, earlier: Earlier | None = None,
) -> Walk:
    """The same from what it keeps of the states. counting: by ``rows.index``; log_var, placements: [rows]."""
    return walk_by_months(
        rows,
        log_var,
        lambda index, expected: expected_log_var(counting.rows(index), expected),
        np.maximum(placements, 1).astype(float),
        SharedPriors(activity_variance),
        reference_checks=settings.reference.readings,
        window_days=settings.shared.window_days,
        least_probes=settings.shared.least_probes,
        placing_prior=(settings.noise.repositioning_pct / 100.0) ** 2,
        placing_prior_checks=float(settings.noise.repositioning_prior_checks),
        edges=edges,
        earlier=earlier,
    )


def corrected_rows(
    rows: Rows,
    states: Responses,
    activity_variance: Floats,
    settings: Settings,
    fleet_placing: FleetPlacing | None = None,
    votes: list[Votes] | None = None,
) -> Corrected:
    """The forward pass to its end; fleet_placing and votes as in ``forward.walk``."""
    edges = None if fleet_placing is None else fleet_placing.edges
    return walk(pass_by_months(rows, states, activity_variance, settings, edges), fleet_placing, votes)


def chart_responses(
    states: Responses,
    names: Names,
    events: pd.DataFrame,
    activity_variance: Floats,
    settings: Settings,
    fleet_placing: FleetPlacing | None = None,
    votes: list[Votes] | None = None,
) -> ResponseCharts:
    """The response from counted checks to alarms, for all series at once.

    fleet_placing: where these series are a part of a fleet; None: they are all of it. votes: as in ``forward.walk``.
    """
    rows = build_rows(states, events, names)
    corrected = corrected_rows(rows, states, activity_variance, settings, fleet_placing, votes)
    return chart_rows(rows, corrected, states, names, events, settings)


def chart_rows(
    rows: Rows, corrected: Corrected, states: Responses, names: Names, events: pd.DataFrame, settings: Settings
) -> ResponseCharts:
    """The charts of rows that have been walked over."""
    c = corrected
    placements = np.maximum(states.placements[rows.index], 1).astype(float)
    outliers = find_outliers(rows, c.x, c.noise, c.persistent, placements)
    interval = interval_days(rows)
    budget = settings.alarms.budget_per_probe_year
    sums = running_sums(rows, c.x, c.noise, outliers.admitted, outliers.pending)
    given = core_inputs(
        rows,
        c.x,
        c.noise,
        c.persistent,
        sums,
        c.alpha_then,
        c.alpha_var_then,
        run_lengths_of_sides(checks_between_false_alarms(budget, "response", interval), (rows.ordinal + 1).astype(np.float64)),
        np.log1p(settings.limits.dead_band_pct / 100.0),
        LEAST_TOGETHER,
    )
    core = chart_of(rows.unit_first, given)
    placing_share = c.placing / np.maximum(c.noise, 1e-12)
    uncertainty = np.sqrt(
        2.0 / (np.minimum(rows.ordinal, 2 * settings.reference.readings) + settings.noise.repositioning_prior_checks)
    )
    spread = spread_chart(
        rows,
        c.x,
        outliers.z_local,
        c.noise,
        outliers.pending,
        placing_share * uncertainty,
        checks_between_false_alarms(budget, "scatter", interval),
        states.chi_square[rows.index],
        states.chi_square_dof[rows.index].astype(float),
        c.noise - c.placing / placements,
    )
    base = c.x[rows.unit_first[:-1]] if rows.units else np.zeros(0)
    tolerance, action = settings.limits.tolerance_pct / 100.0, settings.limits.action_level_pct / 100.0
    levels = [newest(rows, sums, base, lag) for lag in LAGS]
    out_low, out_high = passes_level(
        levels,
        c.alpha_then,
        c.alpha_var_then,
        c.persistent,
        float(np.log1p(-tolerance)),
        float(np.log1p(tolerance)),
    )
    act_low, act_high = passes_level(
        levels,
        c.alpha_then,
        c.alpha_var_then,
        c.persistent,
        float(np.log1p(-action)),
        float(np.log1p(action)),
    )
    deviation, error = recent_deviation(rows, sums, base, c.alpha_then, SETTLE_CHECKS)
    band = np.log1p(settings.limits.dead_band_pct / 100.0)
    # A fall is over where the level is no longer low, also where it is high now: that would be another alarm.
    within = np.maximum(band, 1.5 * error)
    near = deviation >= -within, deviation <= within
    core, (no_fall, no_rise) = begun_anew(rows, given, core, near, Back(deviation, error, spread.calm, SETTLE_CHECKS))
    good = no_fall & no_rise
    ends = unit_ends(rows, events, names)
    wide = np.maximum(spread.ratio_scatter, spread.ratio_outliers)
    inside_tolerance, inside_action = (np.abs(deviation) < -np.log1p(-limit) - error for limit in (tolerance, action))
    openings: list[Opening] = []
    for ratio, direction, onset, rule, calm in (
        (core.ratio_low, "low", core.onset_row_low, None, no_fall),
        (core.ratio_high, "high", core.onset_row_high, None, no_rise),
        (out_low, "low", None, "tolerance", inside_tolerance),
        (out_high, "high", None, "tolerance", inside_tolerance),
        (act_low, "low", None, "action_level", inside_action),
        (act_high, "high", None, "action_level", inside_action),
        (wide, "high", None, "scatter", spread.calm),
        (spread.ratio_low, "low", None, "scatter", spread.ratio_low < 0.3),
        (spread.ratio_repeats, "both", None, "scatter", spread.ratio_repeats < 0.3),
    ):
        # Repeats are judged within their check; all else rests on which of the first checks stand alone.
        for row, settled in _walked(rows, ratio, calm, ends, 0 if direction == "both" else JUDGED_FROM):
            name = rule or ("cusum" if core.against_reference[row] else "change_point")
            size = core.change_low[row] if direction == "low" else core.change_high[row]
            if rule == "scatter":
                size = spread.extra_pct[row] / 100.0
            elif rule is not None:
                size = ratio[row] * np.log1p(
                    (1 if direction == "high" else -1) * (tolerance if rule == "tolerance" else action)
                )
            since = None if onset is None else float(rows.first_days[max(onset[row], rows.unit_first[rows.unit[row]])])
            openings.append(_opening(rows, row, name, direction, since, settled, float(size)))
    openings += drift_openings(rows, c, outliers, openings, ends, settings, good)
    ratio = np.maximum.reduce([core.ratio_low, core.ratio_high]) if len(c.x) else np.zeros(0)
    return ResponseCharts(rows, corrected, outliers, core, spread, ratio, openings, ends)


def _walked(rows: Rows, ratio: Floats, calm: Bools, ends: Floats, judged_from: int) -> list[tuple[int, float | None]]:
    """Row that tipped each opening of one statistic, and the day it was settled. judged_from: ordinal of the first check that may."""
    # A check still under way neither alarms nor settles.
    judged, calm = np.where(rows.partial | (rows.ordinal < judged_from), 0.0, ratio), calm & ~rows.partial
    out: list[tuple[int, float | None]] = []
    for unit in np.unique(rows.unit[judged > 1.0]):
        part = slice(int(rows.unit_first[unit]), int(rows.unit_first[unit + 1]))
        for start, end in open_and_settle(judged[part], calm[part], SETTLE_CHECKS, rows.ordinal[part]):
            settled = float(rows.at_days[part.start + end]) if end is not None else None
            if settled is None and np.isfinite(ends[unit]):
                settled = float(ends[unit])
            out.append((part.start + start, settled))
    return out


def _opening(
    rows: Rows, row: int, rule: str, direction: str, onset: float | None, settled: float | None, size: float
) -> Opening:
    return Opening(
        int(rows.series[row]), cast(Rule, rule), row, float(rows.at_days[row]), onset, settled, cast(Direction, direction), size, ""
    )


def drift_openings(
    rows: Rows, c: Corrected, outliers: Outliers, earlier: list[Opening], ends: Floats, settings: Settings, good: Bools
) -> list[Opening]:
    """Units that drift from their first check on (``slope``), and losses that a service did not end.

    good: rows at which the newest checks agree with the reference; with a line that is no longer steep they settle it too.
    """
    line = slope_chart(
        rows, c.x, c.noise, c.persistent, outliers.admitted, outliers.pending, 2 * settings.reference.readings,
        np.log1p(settings.limits.dead_band_pct / 100.0),
    )
    budget = settings.alarms.budget_per_probe_year
    standing = []
    for one in earlier:
        unit = int(rows.unit[one.row])
        if one.rule in LEVEL_RULES and (one.settled_days is None or one.settled_days >= ends[unit]):
            standing.append((unit, str(one.direction)))
    goes_on = after_service(rows, standing, ends)[rows.unit] if rows.units else np.zeros(0, np.int64)
    falls, rises = (slope_limit(share * RISK_PER_BUDGET * budget) for share in (LOSS_SHARE, 1.0 - LOSS_SHARE))
    usual = np.where(line.z > 0, rises, falls)
    limit = np.where(goes_on * line.z > 0, np.minimum(slope_limit(RISK_AFTER_SERVICE_PER_BUDGET * budget), usual), usual)
    by_unit: dict[int, list[Opening]] = {}
    for one in earlier:
        by_unit.setdefault(int(rows.unit[one.row]), []).append(one)
    out = []
    for side, direction in ((-1, "low"), (1, "high")):
        ratio = np.where(side * line.z > 0, np.abs(line.z) / limit, 0.0)
        calm = (np.abs(line.z) < 1.0) | (good & (np.abs(line.z) < CALM_SHARE * limit))
        for row, settled in _walked(rows, ratio, calm, ends, JUDGED_FROM):
            if _told_already(rows, row, direction, by_unit.get(int(rows.unit[row]), [])):
                continue  # a step makes a line steep as well
            since = float(rows.first_days[rows.unit_first[rows.unit[row]]])
            out.append(_opening(rows, row, "drift", direction, since, settled, float(line.change[row])))
    return out


def _told_already(rows: Rows, row: int, direction: str, of_unit: list[Opening]) -> bool:
    """Whether an alarm of the unit's level, in the same direction, stands at that row."""
    at = rows.at_days[row]
    return any(
        one.row <= row and one.direction == direction and one.rule in LEVEL_RULES
        and (one.settled_days is None or one.settled_days > at)
        for one in of_unit
    )
