"""The one table of points that every chart is drawn from."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analytics.baseline.rows import Floats
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Counted
from analytics.drift.state import Z90
from analytics.results import POINT_COLUMNS
from analytics.series import SeriesKey

NO_LIMITS = 3.0  # standard deviation of a log response from which no limits are drawn
FLAGS = ("used", "reference", "lone_outlier", "pending", "excluded", "no_signal")
Columns = dict[str, np.ndarray]  # by the names of ``POINT_COLUMNS``; categories as codes, -1: none


def response_points(
    keys: list[SeriesKey], counted: Counted, charts: ResponseCharts, reference_checks: int
) -> Columns:
    """One row a check of every response series, those without signal with no value."""
    table, rows, c = counted.response, charts.rows, charts.corrected
    index_of = np.full(len(table.keys), -1, np.int64)
    for key in keys:
        if key.quantity == "response":
            index_of[key.code] = key.index
    n = len(table.series)
    row_of = np.full(int(table.check.max(initial=-1)) + 1, -1, np.int64)
    last = rows.last_rows
    row_of[rows.check[last]] = last
    row = row_of[table.check]
    has = row >= 0
    r = np.where(has, row, 0)

    def take(values: Floats, fill: float = np.nan) -> Floats:
        return np.where(has, values[r], fill) if len(values) else np.full(n, fill)

    log_value, sd = take(rows.y), np.sqrt(take(c.noise))
    own = np.sqrt(np.maximum(table.log_var + take(c.placing) / np.maximum(table.placements, 1), 0.0))
    unit = take(rows.unit.astype(float), -1).astype(np.int64)
    alpha = np.where(unit >= 0, c.alpha[np.maximum(unit, 0)], np.nan) if len(c.alpha) else np.full(n, np.nan)
    alpha_var = np.where(unit >= 0, c.alpha_var[np.maximum(unit, 0)], np.nan) if len(c.alpha) else np.full(n, np.nan)
    spread = np.sqrt(sd**2 + alpha_var + take(c.persistent, 0.0))
    spread[spread > NO_LIMITS] = np.nan  # nothing bridges its source: limits of e^±30 are none
    corrected = take(c.x)
    flag = np.zeros(n, np.int64)
    if len(rows.unit):
        flag[has & (rows.ordinal[r] < reference_checks)] = 1
        flag[has & charts.outliers.lone[r]] = 2
        newest = np.zeros(len(rows.unit), bool)
        newest[rows.unit_first[1:] - 1] = True
        flag[has & charts.outliers.lone[r] & charts.outliers.pending[r] & newest[r]] = 3
    flag[~has] = 5
    return {
        "series": index_of[table.series],
        "check": table.check,
        "check_at": table.check_at,
        "value": np.exp(log_value),
        "value_low": np.exp(log_value - Z90 * own),
        "value_high": np.exp(log_value + Z90 * own),
        "corrected": np.exp(corrected),
        "expected": np.exp(alpha),
        "limit_low": np.exp(alpha - 3.0 * spread),
        "limit_high": np.exp(alpha + 3.0 * spread),
        "z": (corrected - alpha) / spread,
        "statistic": take(charts.ratio),
        "shared_pct": 100.0 * np.expm1(take(c.shift)),
        "flag": flag,
        "source": table.source,
        "jig": table.jig,
        "readout": table.readout,
    }


def scatter_points(keys: list[SeriesKey], counted: Counted, charts: ResponseCharts) -> Columns:
    """Spread over the newest twelve checks, one row a check with a response."""
    rows = charts.rows
    last = rows.last_rows
    index_of = np.full(len(counted.response.keys), -1, np.int64)
    for key in keys:
        if key.quantity == "scatter":
            index_of[key.code] = key.index
    ratio = np.maximum(charts.spread.ratio_scatter, charts.spread.ratio_outliers)
    states = counted.response_states
    return {
        "series": index_of[rows.series[last]],
        "check": rows.check[last],
        "check_at": states.check_at[rows.index[last]],
        "value": charts.spread.extra_pct[last],
        "corrected": charts.spread.extra_pct[last],
        "z": charts.outliers.z_local[last],
        "statistic": ratio[last],
        "flag": np.zeros(len(last), np.int64),
        "source": rows.source[last],
        "jig": rows.jig[last],
        "readout": states.readout[rows.index[last]],
    }


def quantity_points(keys: list[SeriesKey], chart: QuantityChart) -> Columns:
    """One row a reading of the quantity."""
    index_of = np.full(len(chart.keys) + 1, -1, np.int64)
    for key in keys:
        if key.quantity == chart.quantity:
            index_of[key.code] = key.index
    return {
        "series": index_of[chart.series],
        "check": chart.check,
        "check_at": chart.check_at,
        "value": chart.value,
        "value_low": chart.value - Z90 * chart.sd,
        "value_high": chart.value + Z90 * chart.sd,
        "corrected": chart.value,
        "expected": chart.centre,
        "limit_low": chart.low,
        "limit_high": chart.high,
        "z": chart.chart.z,
        "statistic": chart.chart.ratio,
        "flag": (chart.chart.ordinal < np.maximum(chart.chart.reference_readings, 2)).astype(np.int64),
        "source": chart.source,
        "jig": chart.jig,
        "readout": chart.readout,
    }


def all_points(
    keys: list[SeriesKey],
    counted: Counted,
    charts: ResponseCharts,
    quantities: list[QuantityChart],
    reference_checks: int,
) -> pd.DataFrame:
    """All series, ordered by (series, check_at, check)."""
    parts = [response_points(keys, counted, charts, reference_checks), scatter_points(keys, counted, charts)]
    parts += [quantity_points(keys, chart) for chart in quantities]
    series, check_at, check = (
        np.concatenate([part[name].astype(dtype) for part in parts])
        for name, dtype in (("series", np.int32), ("check_at", "datetime64[us]"), ("check", np.int64))
    )
    order = np.lexsort((check, check_at, series))
    order = order[np.searchsorted(series[order], 0) :]  # what is in no series of the answer has the code -1
    names = counted.names
    categories = {"flag": FLAGS, "source": names.source, "jig": names.jig, "readout": names.readout}
    sorted_: dict[str, Any] = {"series": series[order], "check": check[order], "check_at": check_at[order]}
    for name in POINT_COLUMNS:
        if name in categories:
            codes = np.concatenate([part[name].astype(np.int32) for part in parts])[order]
            sorted_[name] = pd.Categorical.from_codes(codes, categories=list(categories[name]))  # type: ignore[call-overload]
        elif name not in sorted_:
            sorted_[name] = np.concatenate([part[name] if name in part else _nothing(part) for part in parts])[order]
    return pd.DataFrame(sorted_, columns=list(POINT_COLUMNS), copy=False)


def _nothing(part: Columns) -> np.ndarray:
    """A column of what is not known."""
    return np.full(len(part["series"]), np.nan)
