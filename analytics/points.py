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

FLAGS = ("used", "reference", "lone_outlier", "pending", "excluded", "no_signal")


def _categorical(codes: Any, categories: list[str]) -> Any:
    return pd.Categorical.from_codes(codes, categories=categories)  # type: ignore[call-overload]


def _codes(names: tuple[str, ...], codes: Any) -> Any:
    return _categorical(codes.astype(np.int64), categories=list(names))


def response_points(
    keys: list[SeriesKey], counted: Counted, charts: ResponseCharts, reference_checks: int
) -> pd.DataFrame:
    """One row a check of every response series, those without signal with no value."""
    table, rows, c = counted.response, charts.rows, charts.corrected
    index_of = np.full(len(table.keys), -1, np.int64)
    for key in keys:
        if key.quantity == "response":
            index_of[key.code] = key.index
    n = len(table.series)
    row_of = np.full(int(table.check.max(initial=-1)) + 1, -1, np.int64)
    last = np.flatnonzero(rows.last)
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
    corrected = take(c.x)
    flag = np.zeros(n, np.int64)
    if len(rows.unit):
        flag[has & (rows.ordinal[r] < reference_checks)] = 1
        flag[has & charts.outliers.lone[r]] = 2
        newest = np.zeros(len(rows.unit), bool)
        newest[rows.unit_first[1:] - 1] = True
        flag[has & charts.outliers.lone[r] & charts.outliers.pending[r] & newest[r]] = 3
    flag[~has] = 5
    return pd.DataFrame(
        {
            "series": index_of[table.series].astype(np.int32),
            "check": table.check.astype(np.int64),
            "check_at": table.check_at.astype("datetime64[us]"),
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
            "flag": _categorical(flag, categories=list(FLAGS)),
            "source": _codes(counted.names.source, table.source),
            "jig": _codes(counted.names.jig, table.jig),
            "readout": _codes(counted.names.readout, table.readout),
        }
    )


def scatter_points(keys: list[SeriesKey], counted: Counted, charts: ResponseCharts) -> pd.DataFrame:
    """Spread over the newest twelve checks, one row a check with a response."""
    rows = charts.rows
    last = np.flatnonzero(rows.last)
    index_of = np.full(len(counted.response.keys), -1, np.int64)
    for key in keys:
        if key.quantity == "scatter":
            index_of[key.code] = key.index
    ratio = np.maximum(charts.spread.ratio_scatter, charts.spread.ratio_outliers)
    states = counted.response_states
    out = _blank(len(last))
    out.update(
        {
            "series": index_of[rows.series[last]].astype(np.int32),
            "check": rows.check[last],
            "check_at": states.check_at[rows.index[last]].astype("datetime64[us]"),
            "value": charts.spread.extra_pct[last],
            "corrected": charts.spread.extra_pct[last],
            "z": charts.outliers.z_local[last],
            "statistic": ratio[last],
            "source": _codes(counted.names.source, rows.source[last]),
            "jig": _codes(counted.names.jig, rows.jig[last]),
            "readout": _codes(counted.names.readout, states.readout[rows.index[last]]),
        }
    )
    return pd.DataFrame(out)


def _blank(n: int) -> dict[str, Any]:
    nothing = np.full(n, np.nan)
    return {
        "series": np.zeros(n, np.int32),
        "check": np.zeros(n, np.int64),
        "check_at": np.zeros(n, "datetime64[us]"),
        "value": nothing,
        "value_low": nothing,
        "value_high": nothing,
        "corrected": nothing,
        "expected": nothing,
        "limit_low": nothing,
        "limit_high": nothing,
        "z": nothing,
        "statistic": nothing,
        "shared_pct": nothing,
        "flag": _categorical(np.zeros(n, np.int64), categories=list(FLAGS)),
        "source": None,
        "jig": None,
        "readout": None,
    }


def quantity_points(keys: list[SeriesKey], counted: Counted, chart: QuantityChart) -> pd.DataFrame:
    """One row a reading of the quantity."""
    index_of = np.full(len(chart.keys) + 1, -1, np.int64)
    for key in keys:
        if key.quantity == chart.quantity:
            index_of[key.code] = key.index
    n = len(chart.series)
    flag = (chart.chart.ordinal < np.maximum(chart.chart.reference_readings, 2)).astype(np.int64)
    out = _blank(n)
    out.update(
        {
            "series": index_of[chart.series].astype(np.int32),
            "check": chart.check.astype(np.int64),
            "check_at": chart.check_at.astype("datetime64[us]"),
            "value": chart.value,
            "value_low": chart.value - Z90 * chart.sd,
            "value_high": chart.value + Z90 * chart.sd,
            "corrected": chart.value,
            "expected": chart.centre,
            "limit_low": chart.low,
            "limit_high": chart.high,
            "z": chart.chart.z,
            "statistic": chart.chart.ratio,
            "flag": _categorical(flag, categories=list(FLAGS)),
            "source": _codes(counted.names.source, chart.source),
            "jig": _codes(counted.names.jig, chart.jig),
            "readout": _codes(counted.names.readout, chart.readout),
        }
    )
    return pd.DataFrame(out)


def all_points(
    keys: list[SeriesKey],
    counted: Counted,
    charts: ResponseCharts,
    quantities: list[QuantityChart],
    reference_checks: int,
) -> pd.DataFrame:
    """All series, ordered by (series, check_at, check)."""
    parts = [response_points(keys, counted, charts, reference_checks), scatter_points(keys, counted, charts)]
    parts += [quantity_points(keys, counted, chart) for chart in quantities]
    categories = {"source": counted.names.source, "jig": counted.names.jig, "readout": counted.names.readout}
    for part in parts:
        for column, names in categories.items():
            part[column] = pd.Categorical(part[column].astype(object), categories=list(names))
    table = pd.concat(parts, ignore_index=True)
    table = (
        table[table["series"] >= 0].sort_values(["series", "check_at", "check"], kind="stable").reset_index(drop=True)
    )
    return table[list(POINT_COLUMNS)]
