"""When a sliding energy window takes the response out of tolerance.

A window slip does nothing for a while and then falls steeply, so the response is not extrapolated: the shift of the
photopeak is, and the window model says at which shift the response passes the limit (methods, window and crossing).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Floats, Ints
from analytics.charts.quantities import QuantityChart
from analytics.counting.columns import Names
from analytics.counting.line_model import forward, typical_fwhm_pct
from analytics.drift.crossing import PassageQuantiles, passage_quantiles
from analytics.drift.trend import fit_trends
from analytics.records.snapshot import Records

RAMP_SD_PCT_PER_YEAR, STEP_SD_PCT = 5.0, 2.0
REPEATABILITY_PCT = 0.15  # spread of the shift between window checks beyond counting
WANDER_PCT2_PER_DAY = 0.3**2 / 365.2422
REACH_PCT = 25.0  # shifts looked at on either side
SURE_Z, LEAST_PROBABILITY = 3.0, 0.5


@dataclass(frozen=True)
class ShiftForecast:
    """One window series that slides: its passage of the limit, by series code of the window chart."""

    series: int
    at_days: float
    shift_per_year_pct: float
    limit_shift_pct: float
    low: bool  # the response leaves tolerance downwards
    probability: float  # that it slides at all
    passage: PassageQuantiles  # arrays of length 1


def limit_shift(
    nuclide: str,
    centre_kev: float,
    width_pct: float,
    fwhm_pct: float,
    start_pct: float,
    towards: float,
    tolerance: float,
) -> tuple[float, bool] | None:
    """The shift at which the response, 1 at ``start_pct``, first passes 1 ± tolerance going ``towards`` (−1 or +1); and whether it falls there.

    None where it does not within 25 % of shift.
    """
    shifts = start_pct + towards * np.linspace(0.0, REACH_PCT, 501)
    response = np.asarray(forward(nuclide, centre_kev, width_pct, fwhm_pct, shifts))
    relative = response / response[0]
    out = np.flatnonzero((relative < 1.0 - tolerance) | (relative > 1.0 + tolerance))
    return None if len(out) == 0 else (float(shifts[out[0]]), bool(relative[out[0]] < 1.0))


def shift_forecasts(
    quantities: list[QuantityChart],
    names: Names,
    records: Records,
    tolerance: float,
    now_days: float | None = None,
) -> list[ShiftForecast]:
    """Every window series that surely slides, with its forecast.

    The line's width is the median of the fitted ones, or that typical of the detector where none could be fitted.
    """
    by_quantity = {chart.quantity: chart for chart in quantities}
    shift, width = by_quantity["window_shift"], by_quantity["window_width"]
    registered = records.windows.set_index("window")
    detector = dict(zip(records.probes["probe"].astype(object), records.probes["detector"].astype(object), strict=True))
    out: list[ShiftForecast] = []
    newest_unit = {
        int(s): int(u) for s, u in zip(shift.series, shift.unit, strict=True)
    }  # rows are in time order inside a series
    fwhm: dict[int, float] = {}
    for code in np.unique(width.series):
        mine = width.series == code
        fwhm[int(width.keys.probe[code])] = float(np.median(width.value[mine]))
    for series, unit in newest_unit.items():
        rows: Ints = np.flatnonzero((shift.unit == unit) & (shift.series == series))
        if len(rows) < 2 or bool(shift.log_scale[rows].any()):
            continue
        last = rows[-1]
        z = float(shift.chart.z[last])
        window = names.window[shift.keys.window[series]]
        nuclide_code = shift.keys.nuclide[series]
        if not np.isfinite(z) or abs(z) < SURE_Z or window not in registered.index or nuclide_code < 0:
            continue
        value: Floats = shift.value[rows]
        variance = shift.sd[rows] ** 2 + REPEATABILITY_PCT**2
        trends = fit_trends(
            np.zeros(len(rows), np.int64),
            shift.at_days[rows],
            value,
            variance,
            1,
            ramp_sd_per_year=RAMP_SD_PCT_PER_YEAR,
            step_sd=STEP_SD_PCT,
        )
        ramp = np.where(trends.slope_var > 0, trends.weight, 0.0)
        if len(rows) == 2:
            ramp[0, 1 : 1 + (ramp.shape[1] - 1) // 2] = 0.0
        probability = float(ramp.sum())
        if len(rows) >= 3 and probability < LEAST_PROBABILITY:
            continue
        if probability <= 0:
            continue
        slope = float((ramp * trends.slope).sum() / probability)
        towards = 1.0 if slope > 0 else -1.0
        row = registered.loc[window]
        probe = int(shift.keys.probe[series])
        kind = detector.get(names.probe[probe])
        typical = typical_fwhm_pct(kind if isinstance(kind, str) else None, float(row["centre_kev"]))
        found = limit_shift(
            names.nuclide[nuclide_code],
            float(row["centre_kev"]),
            float(row["width_pct"]),
            fwhm.get(probe, typical),
            float(shift.centre[last]),
            towards,
            tolerance,
        )
        if found is None or (found[0] - value[-1]) * towards <= 0:
            continue
        passage = passage_quantiles(
            ramp / probability,
            trends.level,
            trends.level_var,
            trends.slope,
            trends.slope_var,
            trends.cross,
            np.array([found[0]]),
            np.array([towards]),
            wander=WANDER_PCT2_PER_DAY,
            age_days=None if now_days is None else np.array([max(now_days - float(shift.at_days[last]), 0.0)]),
        )
        out.append(
            ShiftForecast(
                series, float(shift.at_days[last]), slope * 365.2422, found[0], found[1], min(probability, 1.0), passage
            )
        )
    return out
