"""The series of each probe around its last service, and their level and drift up to it: fitted over the whole fleet at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analytics.advice.gather import chart_rows
from analytics.baseline.rows import Floats, Ints
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.drift.trend import RAMP_SD_PER_YEAR, STEP_SD, Trends, fit_trends

LEAST_AFTER, LEAST_SHIFTS_BEFORE = 2, 2  # checks
SHIFT_NOISE = 0.2  # % of the photopeak's energy: placing
RAMP_SD_SHIFT, STEP_SD_SHIFT = 5.0, 2.0  # as in ``drift.shift``


@dataclass(frozen=True)
class Around:
    """One series around a service: rows of its chart, in time."""

    series: int
    before: Ints  # of the reference that was in force
    after: Ints  # of the one in force then
    goes_on: bool  # the same reference before and after


@dataclass(frozen=True)
class AroundServices:
    """By the code of a probe; ``trends`` up to the service by the code of a series, with its place in them."""

    responses: dict[int, list[Around]]
    response_trends: dict[int, tuple[Trends, int]]  # where the reference went on
    shifts: dict[int, list[Around]]
    shift_trends: dict[int, tuple[Trends, int]]


def rows_of_series(charts: ResponseCharts, series: int) -> Ints:
    """Last rows of the checks of a series, in time; the rows of a series stand together."""
    low, high = np.searchsorted(charts.rows.series, [series, series + 1])
    return np.arange(low, high)[charts.rows.last[low:high]]


def around_services(charts: ResponseCharts, shift: QuantityChart, last: Mapping[int, float]) -> AroundServices:
    """last: day of the last service by probe code, of probes that were read and had one."""
    rows, c = charts.rows, charts.corrected
    responses = {probe: _responses(charts, probe, when) for probe, when in last.items()}
    shifts = {probe: _shifts(shift, probe, when) for probe, when in last.items()}
    go_on = [one for some in responses.values() for one in some if one.goes_on]
    slid = [one for some in shifts.values() for one in some]
    noise = c.noise + c.persistent
    return AroundServices(
        responses,
        _fitted(go_on, rows.at_days, c.x, noise),
        shifts,
        _fitted(slid, shift.at_days, shift.value, shift.sd**2 + SHIFT_NOISE**2, RAMP_SD_SHIFT, STEP_SD_SHIFT),
    )


def _fitted(
    some: Sequence[Around], at_days: Floats, x: Floats, variance: Floats, ramp_sd_per_year: float = RAMP_SD_PER_YEAR,
    step_sd: float = STEP_SD,
) -> dict[int, tuple[Trends, int]]:
    """Trends of every stretch before its service."""
    if not some:
        return {}
    part = np.concatenate([one.before for one in some])
    unit = np.repeat(np.arange(len(some)), [len(one.before) for one in some])
    trends = fit_trends(
        unit, at_days[part], x[part], variance[part], len(some), ramp_sd_per_year=ramp_sd_per_year, step_sd=step_sd
    )
    return {one.series: (trends, place) for place, one in enumerate(some)}


def _responses(charts: ResponseCharts, probe: int, when: float) -> list[Around]:
    """Series with a reference before the service and at least two checks after it."""
    rows, out = charts.rows, []
    low, high = np.searchsorted(rows.probe, [probe, probe + 1])  # its rows stand together
    for series in np.unique(rows.series[low:high]).tolist():
        mine = rows_of_series(charts, series)
        mine = mine[charts.outliers.admitted[mine]]
        one = _around(series, mine, rows.at_days, rows.unit, when)
        if one is not None and len(one.after) >= LEAST_AFTER and np.isfinite(charts.corrected.alpha[rows.unit[one.before[-1]]]):
            out.append(one)
    return out


def _shifts(chart: QuantityChart, probe: int, when: float) -> list[Around]:
    """Window checks that could be fitted: at least two before the service and one after it."""
    mine, out = chart_rows(chart, probe), []
    mine = mine[~chart.log_scale[mine]]
    for series in np.unique(chart.series[mine]).tolist():
        one = _around(series, mine[chart.series[mine] == series], chart.at_days, chart.unit, when)
        if one is not None and len(one.before) >= LEAST_SHIFTS_BEFORE:
            out.append(one)
    return out


def _around(series: int, mine: Ints, at_days: Floats, unit: Ints, when: float) -> Around | None:
    """The rows of one series before and after a moment, of the last reference before it and of the first after it."""
    before, after = mine[at_days[mine] <= when], mine[at_days[mine] > when]
    if len(before) == 0 or len(after) == 0:
        return None
    old, new = int(unit[before[-1]]), int(unit[after[0]])
    return Around(series, before[unit[before] == old], after[unit[after] == new], old == new)
