"""Every charted quantity as a result, in one order, with its points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from analytics.advice.record_errors import Proposal
from analytics.baseline.reference import reference_sentence
from analytics.baseline.rows import Ints
from analytics.charts.alerts import Located, alerts_by_series, begun_within
from analytics.charts.openings import Opening
from analytics.charts.outliers import far_from_the_first
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.counting import Flag
from analytics.counting.flags import sentences
from analytics.counting.tables import Counted, Keys
from analytics.drift.state import Z90, DriftState, per_year
from analytics.results import Alert, Crossing, Quantity, Reference, SeriesResult
from analytics.settings import Settings

SILENT = "The newest checks show no signal: nothing is known of its present level."
MOVED_INSIDE = "The reference takes in checks from after {day}, when a change seems to have begun, and lies between both levels."
NOTED = (
    Flag.GROSS
    | Flag.BORROWED_BACKGROUND
    | Flag.RUNNING_BACKGROUND
    | Flag.DEAD_TIME_LOSS
    | Flag.BEFORE_REFERENCE
    | Flag.BRANCH_REFUSED
    | Flag.NO_HALF_LIFE
    | Flag.DECAYED_AWAY
    | Flag.DERIVED
)
# Order of the quantities of one probe in the answer.
QUANTITY_ORDER: dict[Quantity, int] = {
    "response": 0,
    "scatter": 1,
    "background": 2,
    "window_shift": 3,
    "window_width": 4,
    "side": 5,
}


@dataclass(frozen=True)
class SeriesKey:
    """Which quantity of what; index is its place in the answer."""

    index: int
    quantity: Quantity
    code: int  # series code within its table
    probe: str
    window: str
    jig: str | None
    collimator: str | None
    nuclide: str | None


@lru_cache(maxsize=256)
def _noted(flags: int) -> tuple[str, ...]:
    """What is said of the newest check."""
    return sentences(flags & int(NOTED))


def _parts(series: np.ndarray, count: int) -> list[slice]:
    """The rows of each series; those of one series stand together, in the order of their codes."""
    first = np.searchsorted(series, np.arange(count + 1, dtype=series.dtype)).tolist()
    return [slice(low, high) for low, high in pairwise(first)]


def _name(names: tuple[str, ...], code: int) -> str | None:
    return names[code] if code >= 0 else None


def series_keys_of(counted: Counted, quantities: list[QuantityChart]) -> list[SeriesKey]:
    """All charted series: response and scatter of every series with a check, and the quantities that have rows."""
    found: list[tuple[tuple[str, ...], Quantity, int, Keys]] = []

    def add(quantity: Quantity, keys: Keys, codes: Ints) -> None:
        names = counted.names
        for code in np.unique(codes):
            text = (
                names.probe[keys.probe[code]],
                str(QUANTITY_ORDER[quantity]),
                names.window[keys.window[code]],
                _name(names.jig, keys.jig[code]) or "",
                _name(names.collimator, keys.collimator[code]) or "",
                _name(names.nuclide, keys.nuclide[code]) or "",
            )
            found.append((text, quantity, int(code), keys))

    add("response", counted.response.keys, counted.response.series.astype(np.int64))
    add("scatter", counted.response.keys, counted.response.series.astype(np.int64))
    for chart in quantities:
        add(chart.quantity, chart.keys, chart.series)
    found.sort(key=lambda one: one[0])
    out = []
    for index, (text, quantity, code, _keys) in enumerate(found):
        out.append(
            SeriesKey(index, quantity, code, text[0], text[2], text[3] or None, text[4] or None, text[5] or None)
        )
    return out


def located_openings(
    keys: list[SeriesKey],
    charts: ResponseCharts,
    states_at: np.ndarray,
    quantities: list[QuantityChart],
    silent: list[Opening],
    settings: Settings,
) -> list[Located]:
    """Every opening with its series in the answer and the exact moment of the counting that tipped it."""
    place = {(k.quantity, k.code): k for k in keys}
    out: list[Located] = []

    def add(
        quantity: Quantity,
        opening: Opening,
        at: np.datetime64,
        limit: float,
        usual: float | None = None,
        unit: str = "",
    ) -> None:
        key = place[(quantity, opening.series)]
        when: datetime = at.astype("datetime64[us]").item()
        out.append(Located(key.probe, key.index, quantity, unit, opening, when, usual, limit))

    for one in charts.openings:
        limit = settings.limits.tolerance_pct if one.rule == "tolerance" else settings.limits.action_level_pct
        add("scatter" if one.rule == "scatter" else "response", one, states_at[charts.rows.index[one.row]], limit)
    for one in silent:
        add("response", one, states_at[one.row], 0.0)
    for chart in quantities:
        for one in chart.openings:
            add(
                chart.quantity,
                one,
                chart.check_at[one.row],
                0.0,
                float(chart.centre[one.row]),
                "log ratio" if chart.log_scale[one.row] else "%",
            )
    return out


def crossing_of(state: DriftState, unit: int, at_days: float, tolerance_pct: float) -> Crossing | None:
    """Crossing dates and probabilities, counted from the newest check."""
    if not state.forecast[unit]:
        return None
    p = state.passage

    def on(days_ahead: float) -> date | None:
        return (
            None
            if not np.isfinite(days_ahead)
            else (date(1970, 1, 1) + timedelta(days=int(np.floor(at_days + days_ahead))))
        )

    limit = 100.0 - tolerance_pct if state.sign[unit] < 0 else 100.0 + tolerance_pct
    return Crossing(
        limit, on(p.p05[unit]), on(p.p50[unit]), on(p.p95[unit]), {d: float(v[unit]) for d, v in p.within.items()}
    )


def response_result(
    key: SeriesKey,
    counted: Counted,
    charts: ResponseCharts,
    state: DriftState,
    unit: int,
    part: slice,
    alerts: tuple[Alert, ...],
    silent_now: bool,
    slips: Sequence[str],
    settings: Settings,
) -> SeriesResult:
    """The response of one series at the newest check. part: its rows; slips: what its lone outliers may be."""
    table, rows, c = counted.response, charts.rows, charts.corrected
    newest: datetime = table.check_at[part].max().astype("datetime64[us]").item()
    flags = table.flags[part]
    # A series stands on the scale of the source on which its reference was formed.
    scale = flags if unit < 0 else counted.response_states.flags[rows.index[rows.unit_first[unit], None]]
    text = "cps" if bool((scale & int(Flag.NO_ACTIVITY)).any()) else "cps/kBq"
    notes = (*_noted(int(flags[-1])), *slips)
    base: dict[str, Any] = {
        "index": key.index,
        "probe": key.probe,
        "window": key.window,
        "jig": key.jig,
        "collimator": key.collimator,
        "nuclide": key.nuclide,
        "quantity": "response",
        "unit": text,
        "readings": len(flags),
        "latest_at": newest,
        "alerts": alerts,
        "notes": notes,
        "action_pct": settings.limits.action_level_pct,
        "tolerance_pct": settings.limits.tolerance_pct,
    }
    nothing: dict[str, Any] = {
        "reference": None,
        "current": None,
        "current_interval": None,
        "current_pct": None,
        "drift_per_year": None,
        "drift_interval": None,
        "drift_pct_per_year": None,
        "crossing": None,
    }
    if unit < 0 or not np.isfinite(state.level[unit]) or not np.isfinite(c.alpha[unit]):
        return SeriesResult(**base, **nothing, repeat_requested=silent_now)
    moved = c.references
    if np.isfinite(moved.change[unit]):
        said = reference_sentence(float(moved.change[unit]), float(moved.change_sd[unit]), bool(moved.ramp[unit]))
        base["notes"] = (*_noted(int(flags[-1])), said, *slips)
    alpha = float(c.alpha[unit])
    reference = Reference(
        float(np.exp(alpha)),
        float(np.exp(alpha) * np.sqrt(c.alpha_var[unit])),
        text,
        int(c.reference_checks[unit]),
        *_reference_span(charts, counted, unit, settings.reference.readings),
    )
    if silent_now and any(one.rule == "no_signal" and one.settled_at is None for one in alerts):
        # The last level that was seen is none that it has now.
        silent = nothing | {"reference": reference, "notes": (SILENT, *base["notes"])}
        return SeriesResult(**(base | silent), repeat_requested=True)
    if not np.isfinite(moved.change[unit]) and (since := begun_within(alerts, reference.from_at, reference.to_at)):
        base["notes"] = (MOVED_INSIDE.format(day=since.date()), *base["notes"])
    level, sd = float(state.level[unit]), float(state.level_sd[unit])
    now = float(np.exp(level))
    slope, low, high = (per_year(float(v[unit])) for v in (state.slope, state.slope_low, state.slope_high))
    last = int(rows.unit_first[unit + 1]) - 1
    crossing = crossing_of(state, unit, float(state.trends.at_days[unit]), settings.limits.tolerance_pct)
    far = far_from_the_first(rows, unit, c.x, c.noise, -float(np.log1p(-settings.limits.tolerance_pct / 100.0)))
    pending = bool((charts.outliers.pending[last] or far) and not rows.partial[last])
    return SeriesResult(
        **base,
        reference=reference,
        current=now,
        current_interval=(float(np.exp(level - Z90 * sd)), float(np.exp(level + Z90 * sd))),
        current_pct=100.0 * now / reference.value,
        drift_per_year=now * slope,
        drift_interval=(now * low, now * high),
        drift_pct_per_year=100.0 * slope * now / reference.value,
        crossing=crossing,
        repeat_requested=pending or silent_now,
    )


def quantity_result(
    key: SeriesKey, chart: QuantityChart, part: slice, alerts: tuple[Alert, ...],
) -> SeriesResult:
    """Background, window or side of one series at its newest reading. part: its rows."""
    mine = part.start + np.argsort(chart.at_days[part], kind="stable")
    newest = int(mine[-1])
    unit = {
        "background": "cps",
        "window_shift": "log ratio" if chart.log_scale[newest] else "%",
        "window_width": "%",
        "side": "%",
    }[chart.quantity]
    in_force = mine[chart.unit[mine] == chart.unit[newest]]
    count = int(chart.chart.reference_readings[newest])
    reference = None
    if np.isfinite(chart.centre[newest]) and count > 0:
        moments = [chart.check_at[i].astype("datetime64[us]").item() for i in (in_force[0], in_force[count - 1])]
        sd = float(chart.chart.centre_sd[newest])
        if chart.quantity == "background":
            sd = float(np.sqrt(max(chart.centre[newest], 0.0)) * sd)
        reference = Reference(float(chart.centre[newest]), sd, unit, count, *moments)
    value, sd = float(chart.value[newest]), float(chart.sd[newest])
    pct = (
        100.0 * value / reference.value
        if reference is not None and chart.quantity == "background" and reference.value > 0
        else None
    )
    return SeriesResult(
        key.index,
        key.probe,
        key.window,
        key.jig,
        key.collimator,
        key.nuclide,
        chart.quantity,
        unit,
        len(mine),
        chart.check_at[newest].astype("datetime64[us]").item(),
        reference,
        value,
        (value - Z90 * sd, value + Z90 * sd),
        pct,
        None,
        None,
        None,
        None,
        False,
        alerts,
    )


def scatter_result(
    key: SeriesKey, counted: Counted, charts: ResponseCharts, unit: int, part: slice, alerts: tuple[Alert, ...]
) -> SeriesResult:
    """Spread beyond counting and placing of one series over its newest twelve checks. part: its rows."""
    newest: datetime = counted.response.check_at[part].max().astype("datetime64[us]").item()
    value = None
    if unit >= 0:
        row = int(charts.rows.unit_first[unit + 1]) - 1
        value = float(charts.spread.extra_pct[row])
    return SeriesResult(
        key.index,
        key.probe,
        key.window,
        key.jig,
        key.collimator,
        key.nuclide,
        "scatter",
        "%",
        part.stop - part.start,
        newest,
        None,
        value,
        None,
        None,
        None,
        None,
        None,
        None,
        False,
        alerts,
    )


def group_alerts(located: list[Located], decisions: pd.DataFrame) -> dict[int, tuple[Alert, ...]]:
    """Alerts by series index; decisions of the kind "settled" settle their episode."""
    settled: dict[str, list[datetime]] = {}
    mine = decisions[decisions["kind"] == "settled"]
    for episode, when in zip(mine["episode"].astype(object), mine["decided_at"], strict=True):
        settled.setdefault(str(episode), []).append(when.to_pydatetime())
    return {index: tuple(alerts) for index, alerts in alerts_by_series(located, settled).items()}


def _reference_span(charts: ResponseCharts, counted: Counted, unit: int, most: int) -> tuple[datetime, datetime]:
    """First and last check of the reference of a unit."""
    rows = charts.rows
    part = np.arange(int(rows.unit_first[unit]), int(rows.unit_first[unit + 1]))
    some = counted.response_states.check_at[rows.index[part[rows.ordinal[part] < most]]].astype("datetime64[us]")
    return some.min().item(), some.max().item()


def all_results(
    keys: list[SeriesKey],
    counted: Counted,
    charts: ResponseCharts,
    state: DriftState,
    quantities: list[QuantityChart],
    located: list[Located],
    silent_now: Ints,
    slips: tuple[Proposal, ...],
    decisions: pd.DataFrame,
    settings: Settings,
) -> tuple[SeriesResult, ...]:
    """Every series in order."""
    alerts = group_alerts(located, decisions)
    by_quantity = {chart.quantity: chart for chart in quantities}
    newest = np.full(len(counted.response.keys), -1, np.int64)
    newest[charts.rows.unit_series] = np.arange(charts.rows.units)  # later units of a series overwrite earlier ones
    silent = set(silent_now.tolist())
    slips_of: dict[int, list[str]] = {}
    for slip in slips:
        slips_of.setdefault(slip.series, []).append(slip.text)
    checks = _parts(counted.response.series, len(counted.response.keys))
    readings = {chart.quantity: _parts(chart.series, len(chart.keys)) for chart in quantities}
    out = []
    for key in keys:
        mine, code = alerts.get(key.index, ()), key.code
        if key.quantity == "response":
            out.append(
                response_result(
                    key, counted, charts, state, int(newest[code]), checks[code], mine, code in silent,
                    slips_of.get(code, ()), settings,
                )
            )
        elif key.quantity == "scatter":
            out.append(scatter_result(key, counted, charts, int(newest[code]), checks[code], mine))
        else:
            out.append(quantity_result(key, by_quantity[key.quantity], readings[key.quantity][code], mine))
    return tuple(out)
