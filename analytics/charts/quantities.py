"""Background, window and side: each quantity of a check beside its response, charted against its own reference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.baseline.rows import Bools, Floats, Ints, days, epoch_of, reference_epochs
from analytics.charts.budget import checks_between_false_alarms
from analytics.charts.levels import LevelChart, level_chart
from analytics.charts.openings import Opening, open_and_settle
from analytics.charts.thresholds import WINDOW_REFERENCE
from analytics.counting.arrays import Codes, Times, order_by
from analytics.counting.columns import Names
from analytics.counting.tables import Backgrounds, Counted, Keys, Sides, WindowChecks
from analytics.results import Direction, Quantity, Rule
from analytics.settings import Settings

SIDE_FACTOR = 1.12  # a side reading an eighth above its usual share matters (site choice)
CALM_Z = 2.5


@dataclass(frozen=True)
class QuantityChart:
    """One quantity over the fleet; arrays per row, sorted by (series, reference epoch, time)."""

    quantity: Quantity
    keys: Keys
    series: Ints
    unit: Ints  # series × reference epoch
    check: Ints
    check_at: Times
    at_days: Floats
    value: Floats  # in its unit
    sd: Floats  # of the value, counting and spread
    centre: Floats  # reference in the unit
    low: Floats  # limits in the unit at which the chart signals
    high: Floats
    chart: LevelChart
    log_scale: Bools  # per row: value is a log ratio (window not registered)
    source: Codes
    jig: Codes
    readout: Codes
    openings: list[Opening]


def _ordered(
    series: Codes, probe: Codes, at: Floats, keep: Bools, events: pd.DataFrame, names: Names, epochs: bool
) -> tuple[Ints, Ints]:
    """Kept rows in order, and their unit."""
    index = np.flatnonzero(keep)
    epoch = np.zeros(len(index), np.int64)
    if epochs:
        epoch = epoch_of(probe[index].astype(np.int64), at[index], *reference_epochs(events, names))
    order = order_by(series[index], epoch, at[index])
    index, epoch = index[order], epoch[order]
    new = np.ones(len(index), bool)
    new[1:] = (np.diff(series[index]) != 0) | (np.diff(epoch) != 0)
    return index, np.cumsum(new) - 1


def _ends(probe: Codes, at: Floats, events: pd.DataFrame, names: Names) -> Floats:
    """Day of the first new reference of the probe after each row; inf where there is none."""
    code, when = reference_epochs(events, names)
    out = np.full(len(at), np.inf)
    for one in np.unique(code):
        mine = np.flatnonzero(probe == one)
        moments = np.append(when[code == one], np.inf)
        out[mine] = moments[np.searchsorted(moments, at[mine], side="right")]
    return out


def _interval(unit: Ints, at: Floats) -> Floats:
    starts = np.flatnonzero(np.append(True, np.diff(unit) != 0)) if len(unit) else np.zeros(0, np.int64)
    number = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(unit)))) if len(unit) else unit
    ordinal = np.arange(len(unit)) - starts[number] if len(unit) else unit
    gap = (at - at[starts][number]) / np.maximum(ordinal, 1) if len(unit) else at
    return np.where(ordinal > 0, np.maximum(gap, 0.25), 30.0)


def _openings(
    series: Ints,
    unit: Ints,
    at: Floats,
    chart: LevelChart,
    change: Floats,
    rule: Rule,
    direction: Direction | None,
    ends: Floats | None = None,
    settle_after: int = 1,
) -> list[Opening]:
    """Openings of one quantity. ends: per row, day on which a new reference ended its unit. settle_after: calm readings in a row."""
    out: list[Opening] = []
    for one in np.unique(unit[chart.ratio > 1.0]):
        rows = np.flatnonzero(unit == one)
        calm = np.abs(chart.z[rows]) < (CALM_Z if settle_after == 1 else 1.5)
        for _ in range(settle_after - 1):
            calm[1:] &= calm[:-1].copy()
        for start, end in open_and_settle(chart.ratio[rows], calm, settle_after):
            row = int(rows[start])
            way: Direction = direction or ("high" if chart.z[row] > 0 else "low")
            settled = float(at[rows[end]]) if end is not None else None
            if settled is None and ends is not None and np.isfinite(ends[row]):
                settled = float(ends[row])
            out.append(
                Opening(
                    int(series[row]), rule, row, float(at[row]), float(at[row]), settled, way, float(change[row]), ""
                )
            )
    return out


def background_chart(table: Backgrounds, events: pd.DataFrame, names: Names, settings: Settings) -> QuantityChart:
    """Background rate; a contaminated tip alarms at once, since Tc-99m is gone by the next check.

    Charted as 2√((N + 3/8)/T), whose counting variance is 1/T at any level (Anscombe).
    """
    probe = table.keys.probe[table.series] if len(table.series) else table.series
    at = days(table.check_at)
    index, unit = _ordered(table.series, probe, at, table.time_s > 0, events, names, epochs=False)
    counts, seconds, rate = table.counts[index], table.time_s[index], table.rate_cps[index]
    counts = np.where(np.isfinite(counts), counts, rate * seconds)
    root = 2.0 * np.sqrt((counts + 0.375) / seconds)
    arl0 = checks_between_false_alarms(settings.alarms.budget_per_probe_year, "background", _interval(unit, at[index]))
    chart = level_chart(
        unit,
        root,
        1.0 / seconds,
        prior_spread=0.05,
        relative=True,
        reference_readings=settings.reference.readings,
        arl0=arl0,
        least_effect=np.zeros(len(root)),
        sides=(1,),
        least_ratio=float(np.sqrt(settings.limits.background_factor)),
    )
    centre = np.maximum(chart.centre, 0.0) ** 2 / 4.0
    width = np.where(chart.ratio > 0, np.abs(chart.z) / np.maximum(chart.ratio, 1e-9), 4.0) * chart.spread
    high = np.maximum((chart.centre + width) ** 2 / 4.0, centre * settings.limits.background_factor)
    series = table.series[index].astype(np.int64)
    sd = np.sqrt(np.maximum(table.rate_var[index], 0.0))
    return QuantityChart(
        "background",
        table.keys,
        series,
        unit,
        table.check[index],
        table.check_at[index],
        at[index],
        rate,
        sd,
        centre,
        np.full(len(index), np.nan),
        high,
        chart,
        np.zeros(len(index), bool),
        np.full(len(index), -1, np.int32),
        np.full(len(index), -1, np.int32),
        table.readout[index],
        _openings(series, unit, at[index], chart, rate - centre, "background", "high"),
    )


def _limits(chart: LevelChart) -> tuple[Floats, Floats]:
    limit = np.where(chart.ratio > 0, np.abs(chart.z) / np.maximum(chart.ratio, 1e-9), 4.0) * chart.spread
    return chart.centre - limit, chart.centre + limit


def window_chart(table: WindowChecks, events: pd.DataFrame, names: Names, settings: Settings) -> QuantityChart:
    """Photopeak against window centre: change against the first two window checks of the unit."""
    probe = table.keys.probe[table.series] if len(table.series) else table.series
    at = days(table.check_at)
    registered = np.isfinite(table.shift_pct) & np.isfinite(table.shift_sd)
    usable = registered | (np.isfinite(table.log_ratio) & np.isfinite(table.log_ratio_var))
    index, unit = _ordered(table.series, probe, at, usable, events, names, epochs=True)
    fitted = registered[index]
    # One scale a unit: if any of its checks could not be fitted, the log ratio serves for all that have no shift.
    value = np.where(fitted, table.shift_pct[index], table.log_ratio[index])
    variance = np.where(fitted, table.shift_sd[index] ** 2, table.log_ratio_var[index])
    unit = unit * 2 + ~fitted
    order = order_by(unit, at[index])
    index, unit, value, variance, fitted = index[order], unit[order], value[order], variance[order], fitted[order]
    arl0 = checks_between_false_alarms(
        settings.alarms.budget_per_probe_year, "window_shift", _interval(unit, at[index])
    )
    chart = level_chart(
        unit,
        value,
        variance,
        prior_spread=0.25,
        reference_readings=WINDOW_REFERENCE,
        arl0=arl0,
        least_effect=np.where(fitted, settings.limits.window_shift_pct, 0.10),
    )
    low, high = _limits(chart)
    series = table.series[index].astype(np.int64)
    ends = _ends(probe[index], at[index], events, names)
    openings = _openings(series, unit, at[index], chart, value - chart.centre, "window_shift", None, ends)
    # The plain look of the trade: a centred window counts more than one set below or above.
    worst = np.minimum(table.z_below[index], table.z_above[index])
    for row in np.flatnonzero(worst < -1.0):
        first = row == 0 or unit[row - 1] != unit[row] or worst[row - 1] >= -1.0
        if first:
            later = np.flatnonzero((unit == unit[row]) & (np.arange(len(unit)) > row) & (worst > 1.0))
            settled = (
                float(at[index[later[0]]]) if len(later) else (float(ends[row]) if np.isfinite(ends[row]) else None)
            )
            way: Direction = "low" if table.z_below[index[row]] < table.z_above[index[row]] else "high"
            openings.append(
                Opening(
                    int(series[row]),
                    "below_side_readings",
                    int(row),
                    float(at[index[row]]),
                    None,
                    settled,
                    way,
                    float(worst[row]),
                    "",
                )
            )
    return QuantityChart(
        "window_shift",
        table.keys,
        series,
        unit,
        table.check[index],
        table.check_at[index],
        at[index],
        value,
        np.sqrt(variance),
        chart.centre,
        low,
        high,
        chart,
        ~fitted,
        table.source[index],
        table.jig[index],
        table.readout[index],
        openings,
    )


def width_chart(table: WindowChecks, events: pd.DataFrame, names: Names) -> QuantityChart:
    """Width of the photopeak; charted for the cause, never an alarm by itself."""
    probe = table.keys.probe[table.series] if len(table.series) else table.series
    at = days(table.check_at)
    usable = np.isfinite(table.width_pct) & np.isfinite(table.width_sd) & (table.width_sd > 0)
    index, unit = _ordered(table.series, probe, at, usable, events, names, epochs=True)
    value, variance = table.width_pct[index], table.width_sd[index] ** 2
    chart = level_chart(
        unit,
        value,
        variance,
        prior_spread=0.3,
        reference_readings=WINDOW_REFERENCE,
        arl0=np.full(len(index), 1e6),
        least_effect=np.full(len(index), np.inf),
    )
    low, high = _limits(chart)
    return QuantityChart(
        "window_width",
        table.keys,
        table.series[index].astype(np.int64),
        unit,
        table.check[index],
        table.check_at[index],
        at[index],
        value,
        np.sqrt(variance),
        chart.centre,
        low,
        high,
        chart,
        np.zeros(len(index), bool),
        table.source[index],
        table.jig[index],
        table.readout[index],
        [],
    )


def side_chart(table: Sides, events: pd.DataFrame, names: Names, settings: Settings) -> QuantityChart:
    """Counts beside the shielded shaft over those in front: a shield that moved lets more in."""
    probe = table.keys.probe[table.series] if len(table.series) else table.series
    at = days(table.check_at)
    usable = np.isfinite(table.side_pct) & np.isfinite(table.side_var_pct2)
    index, unit = _ordered(table.series, probe, at, usable, events, names, epochs=True)
    value, variance = table.side_pct[index], table.side_var_pct2[index]
    arl0 = checks_between_false_alarms(settings.alarms.budget_per_probe_year, "side", _interval(unit, at[index]))
    chart = level_chart(
        unit,
        value,
        np.maximum(variance, 1e-12),
        prior_spread=0.05,
        relative=True,
        reference_readings=settings.reference.readings,
        arl0=arl0,
        least_effect=np.zeros(len(index)),
        sides=(1,),
        least_ratio=SIDE_FACTOR,
        pairs=True,
    )
    _, high = _limits(chart)
    series = table.series[index].astype(np.int64)
    return QuantityChart(
        "side",
        table.keys,
        series,
        unit,
        table.check[index],
        table.check_at[index],
        at[index],
        value,
        np.sqrt(np.maximum(variance, 0.0)),
        chart.centre,
        np.full(len(index), np.nan),
        high,
        chart,
        np.zeros(len(index), bool),
        table.source[index],
        table.jig[index],
        table.readout[index],
        _openings(
            series,
            unit,
            at[index],
            chart,
            value - chart.centre,
            "side",
            "high",
            _ends(probe[index], at[index], events, names),
            settle_after=2,
        ),
    )


def quantity_charts(counted: Counted, events: pd.DataFrame, settings: Settings) -> list[QuantityChart]:
    """All of them, in a fixed order."""
    return [
        background_chart(counted.background, events, counted.names, settings),
        window_chart(counted.windows, events, counted.names, settings),
        width_chart(counted.windows, events, counted.names),
        side_chart(counted.side, events, counted.names, settings),
    ]
