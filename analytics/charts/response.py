"""All charts of the response of the whole fleet, and the alarms they opened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd

from analytics.baseline.forward import Corrected, SharedPriors, walk
from analytics.baseline.rows import Floats, Rows, build_rows
from analytics.charts.budget import checks_between_false_alarms
from analytics.charts.core import CoreChart, core_chart, interval_days
from analytics.charts.levels_reached import passes_level, recent_deviation
from analytics.charts.openings import Opening, open_and_settle
from analytics.charts.outliers import Outliers, find_outliers
from analytics.charts.padded import Rectangle, running_sums
from analytics.charts.spread import SpreadChart, spread_chart
from analytics.counting.columns import Names
from analytics.counting.response import expected_log_var
from analytics.counting.tables import Responses
from analytics.results import Direction, Rule
from analytics.settings import Settings

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


def chart_responses(
    states: Responses,
    names: Names,
    events: pd.DataFrame,
    activity_variance: Floats,
    settings: Settings
) -> ResponseCharts:
    """The response from counted checks to alarms, for all series at once."""
    rows = build_rows(states, events, names)
    placements = np.maximum(states.placements[rows.index], 1).astype(float)
    corrected = walk(
        rows,
        states.log_var[rows.index],
        lambda index, expected: expected_log_var(states.rows(index), expected),
        placements,
        SharedPriors(activity_variance),
        reference_checks=settings.reference.readings,
        window_days=settings.shared.window_days,
        least_probes=settings.shared.least_probes,
        placing_prior=(settings.noise.repositioning_pct / 100.0) ** 2,
        placing_prior_checks=float(settings.noise.repositioning_prior_checks),
    )
    c = corrected
    outliers = find_outliers(rows, c.x, c.noise, c.persistent, placements)
    interval = interval_days(rows)
    budget = settings.alarms.budget_per_probe_year
    core = core_chart(
        rows,
        c.x,
        c.noise,
        c.persistent,
        outliers.admitted,
        outliers.pending,
        c.alpha_then,
        c.alpha_var_then,
        checks_between_false_alarms(budget, "response", interval),
        np.log1p(settings.limits.dead_band_pct / 100.0),
    )
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
    )
    box = Rectangle.of(rows)
    sums = running_sums(rows, box, c.x, c.noise, outliers.admitted, outliers.pending)
    base = c.x[rows.unit_first[:-1]] if rows.units else np.zeros(0)
    tolerance, action = settings.limits.tolerance_pct / 100.0, settings.limits.action_level_pct / 100.0
    out_low, out_high = passes_level(box,
        sums,
        base,
        c.alpha_then,
        c.alpha_var_then,
        c.persistent,
        float(np.log1p(-tolerance)),
        float(np.log1p(tolerance)),
    )
    act_low, act_high = passes_level(box,
        sums,
        base,
        c.alpha_then,
        c.alpha_var_then,
        c.persistent,
        float(np.log1p(-action)),
        float(np.log1p(action)),
    )
    deviation, error = recent_deviation(box, sums, base, c.alpha_then, SETTLE_CHECKS)
    band = np.log1p(settings.limits.dead_band_pct / 100.0)
    good = (np.abs(deviation) <= np.maximum(band, 1.5 * error)) & (np.maximum(core.ratio_low, core.ratio_high) < 0.5)
    ends = unit_ends(rows, events, names)
    openings: list[Opening] = []
    wide = np.maximum(spread.ratio_scatter, spread.ratio_outliers)
    core_rule: list[Rule] = ["change_point", "cusum"]
    for ratio, direction, onset, rule in (
        (core.ratio_low, "low", core.onset_row_low, None),
        (core.ratio_high, "high", core.onset_row_high, None),
        (out_low, "low", None, "tolerance"),
        (out_high, "high", None, "tolerance"),
        (act_low, "low", None, "action_level"),
        (act_high, "high", None, "action_level"),
        (wide, "high", None, "scatter"),
        (spread.ratio_low, "low", None, "scatter"),
        (spread.ratio_repeats, "both", None, "scatter"),
    ):
        judged = np.where(rows.partial, 0.0, ratio)
        if rule in ("tolerance", "action_level"):
            calm = np.abs(deviation) < -np.log1p(-(tolerance if rule == "tolerance" else action)) - error
        elif rule == "scatter":
            calm = spread.calm if direction == "high" else ratio < 0.3
        else:
            calm = good
        for unit in np.unique(rows.unit[judged > 1.0]):
            part = slice(int(rows.unit_first[unit]), int(rows.unit_first[unit + 1]))
            for start, end in open_and_settle(judged[part], calm[part], SETTLE_CHECKS):
                row = part.start + start
                settled = rows.at_days[part.start + end] if end is not None else None
                if settled is None and np.isfinite(ends[unit]):
                    settled = float(ends[unit])
                name = rule if rule is not None else core_rule[int(core.against_reference[row])]
                size = core.change_low[row] if direction == "low" else core.change_high[row]
                if rule == "scatter":
                    size = spread.extra_pct[row] / 100.0
                elif rule is not None:
                    size = judged[row] * np.log1p(
                        (1 if direction == "high" else -1) * (tolerance if rule == "tolerance" else action)
                    )
                openings.append(
                    Opening(
                        int(rows.series[row]),
                        cast(Rule, name),
                        row,
                        float(rows.at_days[row]),
                        float(rows.first_days[max(onset[row], part.start)]) if onset is not None else None,
                        None if settled is None else float(settled),
                        cast(Direction, direction),
                        float(size),
                        "",
                    )
                )
    ratio = np.maximum.reduce([core.ratio_low, core.ratio_high]) if len(c.x) else np.zeros(0)
    return ResponseCharts(rows, corrected, outliers, core, spread, ratio, openings, ends)
