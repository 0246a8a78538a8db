"""When a sliding energy window takes the response out of tolerance.

A window slip does nothing for a while and then falls steeply, so the response is not extrapolated: the shift of the
photopeak is, and the window model says at which shift the response passes the limit (methods, window and crossing).
Onset τ and slope g of the slide are weighed on a grid by both witnesses: the window checks, in which the shift is
s₀ + g (t − τ)₊, and the response of every check, which must follow the window model along that same shift.
The width of the line, measured or typical of the detector, is one of three, and the share of the model's change that
the response shows one of two (scatter in the window, which does not slide, dilutes it); both are weighed as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from analytics.baseline.rows import Floats, Ints
from analytics.charts.quantities import QuantityChart
from analytics.counting.columns import Names
from analytics.counting.line_model import forward, typical_fwhm_pct
from analytics.counting.tables import Keys
from analytics.drift.slide_core import along
from analytics.drift.trend import YEAR_DAYS
from analytics.records.snapshot import Records

# Before anything is seen [chosen on simulated fleets, no source]: sizes log-normal about 4.5 % of the energy a year.
MIDDLE_PCT_PER_YEAR, LOG_SD, PRIOR_SLIDE = 4.5, 0.5, 0.07
LEAST_PCT_PER_YEAR, MOST_PCT_PER_YEAR, SIZES = 0.8, 25.0, 24
REPEATABILITY_PCT = 0.15  # spread of the shift between window checks beyond counting
WANDER_PCT2_PER_DAY = 0.3**2 / YEAR_DAYS
REACH_PCT = 25.0  # shifts looked at on either side
LEAST_Z = 2.0  # of the newest shift against the earlier ones, below which no slide is weighed
MEASURED_WIDTHS, TYPICAL_WIDTHS = (0.85, 1.0, 1.15), (0.75, 1.0, 1.3)  # factors on the width of the line
DILUTIONS = (0.85, 1.0)
MODEL_ERROR = 0.03  # relative error of the shift at the limit that the window model leaves
NODES = 1001  # of the table of the window model


@dataclass(frozen=True)
class Slide:
    """The account of one response unit as a sliding window; arrays [lines, onsets, slopes], ln evidence against flat."""

    unit: int
    slope: Floats  # [slopes] % of the energy a day
    log_evidence: Floats  # with the prior of line, onset and slope, without that of a slide at all
    limit_pct: Floats  # how far from its start the shift is where the response passes; NaN where it never does
    low: np.ndarray  # the response leaves tolerance downwards
    since_onset: Floats  # [onsets] days from the onset to the newest check of the response
    limit_var: Floats  # variance of the way from the shift before the onset to that limit


@lru_cache(maxsize=64)
def _course(
    nuclide: str, centre_kev: float, width_pct: float, fwhm_pct: float, start_pct: float, towards: float
) -> tuple[Floats, Floats]:
    """Shifts from the start on, and the response there."""
    shifts = start_pct + towards * np.linspace(0.0, REACH_PCT, 501)
    return shifts, np.asarray(forward(nuclide, centre_kev, width_pct, fwhm_pct, shifts))


def limit_shift(
    nuclide: str,
    centre_kev: float,
    width_pct: float,
    fwhm_pct: float,
    start_pct: float,
    towards: float,
    tolerance: float,
    dilution: float = 1.0,
) -> tuple[float, bool] | None:
    """The shift at which the response, 1 at ``start_pct``, first passes 1 ± tolerance going ``towards`` (−1 or +1); and whether it falls there.

    dilution: share of the change of ln(response) that is seen. None where it does not pass within 25 % of shift.
    """
    shifts, response = _course(nuclide, centre_kev, width_pct, fwhm_pct, start_pct, towards)
    relative = (response / response[0]) ** dilution
    out = np.flatnonzero((relative < 1.0 - tolerance) | (relative > 1.0 + tolerance))
    return None if len(out) == 0 else (float(shifts[out[0]]), bool(relative[out[0]] < 1.0))


@lru_cache(maxsize=512)
def _log_model(nuclide: str, centre_kev: float, width_pct: float, fwhm_pct: float) -> Floats:
    """Logarithm of the response at ``NODES`` shifts from −25 to 25 %."""
    at = np.linspace(-REACH_PCT, REACH_PCT, NODES)
    return np.log(np.maximum(np.asarray(forward(nuclide, centre_kev, width_pct, fwhm_pct, at)), 1e-6))


def _slopes() -> tuple[Floats, Floats]:
    """Slopes tried, % a day, and ln of their prior."""
    sizes = np.geomspace(LEAST_PCT_PER_YEAR, MOST_PCT_PER_YEAR, SIZES)
    prior = np.exp(-0.5 * (np.log(sizes / MIDDLE_PCT_PER_YEAR) / LOG_SD) ** 2)
    prior /= 2.0 * prior.sum()
    return np.concatenate([-sizes[::-1], sizes]) / YEAR_DAYS, np.log(np.concatenate([prior[::-1], prior]))


@dataclass(frozen=True)
class ResponseSeen:
    """The response of all units as the trend saw it: rows in time order of the admitted checks."""

    unit: Ints
    at_days: Floats
    x: Floats
    weight: Floats  # 1 / variance
    onset_days: Floats  # [units, onsets]
    newest_days: Floats  # [units]
    unit_series: Ints
    keys: Keys


def slides(
    seen: ResponseSeen, quantities: list[QuantityChart], names: Names, records: Records, tolerance: float
) -> list[Slide]:
    """Every response unit whose window may slide, weighed. The line's width is the median of the fitted ones, or typical."""
    by_quantity = {chart.quantity: chart for chart in quantities}
    shift, width = by_quantity["window_shift"], by_quantity["window_width"]
    registered = records.windows.set_index("window")
    detector = dict(zip(records.probes["probe"].astype(object), records.probes["detector"].astype(object), strict=True))
    units: dict[tuple[int, int], list[int]] = {}
    newest = dict(zip(seen.unit_series.tolist(), range(len(seen.unit_series)), strict=True))  # later units win
    for series, unit in newest.items():
        units.setdefault((int(seen.keys.probe[series]), int(seen.keys.window[series])), []).append(unit)
    fwhm = {int(width.keys.probe[code]): float(np.median(width.value[width.series == code])) for code in np.unique(width.series)}
    last_unit = {int(s): int(u) for s, u in zip(shift.series, shift.unit, strict=True)}  # in time order inside a series
    out: list[Slide] = []
    for series, shift_unit in last_unit.items():
        rows: Ints = np.flatnonzero((shift.unit == shift_unit) & (shift.series == series))
        probe, window = int(shift.keys.probe[series]), int(shift.keys.window[series])
        name, nuclide = names.window[window], int(shift.keys.nuclide[series])
        if bool(shift.log_scale[rows].any()) or name not in registered.index or nuclide < 0:
            continue
        value, variance = shift.value[rows], shift.sd[rows] ** 2 + REPEATABILITY_PCT**2
        if not _moved(value, variance):
            continue
        centre, across = (float(registered[column].loc[name]) for column in ("centre_kev", "width_pct"))
        setup = (names.nuclide[nuclide], centre, across)
        kind = detector.get(names.probe[probe])
        typical = typical_fwhm_pct(kind if isinstance(kind, str) else None, setup[1])
        factors = MEASURED_WIDTHS if probe in fwhm else TYPICAL_WIDTHS
        widths = [round(fwhm.get(probe, typical) * factor, 1) for factor in factors]
        for unit in units.get((probe, window), []):
            mine = seen.unit == unit
            if int(mine.sum()) >= 3:
                out.append(_slide(seen, unit, mine, shift.at_days[rows], value, variance, setup, widths, tolerance))
    return out


def _moved(value: Floats, variance: Floats) -> bool:
    """Whether the newest shift stands ``LEAST_Z`` errors off the mean of the earlier ones; one shift alone never does."""
    if len(value) < 2:
        return False
    w = 1.0 / variance[:-1]
    gap = float(value[-1] - (w * value[:-1]).sum() / w.sum())
    return abs(gap) >= LEAST_Z * float(np.sqrt(variance[-1] + 1.0 / w.sum()))


def _slide(
    seen: ResponseSeen,
    unit: int,
    mine: np.ndarray,
    at_days: Floats,
    value: Floats,
    variance: Floats,
    setup: tuple[str, float, float],
    widths: list[float],
    tolerance: float,
) -> Slide:
    slope, log_prior = _slopes()
    onset = seen.onset_days[unit]
    w = 1.0 / variance
    f = np.maximum(at_days[None, :] - onset[:, None], 0.0)
    mean, f_mean = float((w * value).sum() / w.sum()), (f * w).sum(axis=1) / w.sum()
    d = f - f_mean[:, None]
    s_ff, s_fx = (w * d * d).sum(axis=1), (w * d * (value - mean)).sum(axis=1)
    by_shift = slope * s_fx[:, None] - 0.5 * slope**2 * s_ff[:, None]
    start = mean - slope[None, :] * f_mean[:, None]
    elapsed = np.maximum(seen.at_days[mine] - onset[:, None], 0.0)
    weight, x = seen.weight[mine], seen.x[mine]
    x = x - (weight * x).sum() / weight.sum()
    shape = (len(widths) * len(DILUTIONS), *start.shape)
    evidence, limit, low = np.empty(shape), np.full(shape, np.nan), np.zeros(shape, bool)
    begin = float(np.clip(start.ravel()[np.argmax(by_shift + log_prior)], -0.5 * REACH_PCT, 0.5 * REACH_PCT))
    for k, (line, share) in enumerate(product(widths, DILUTIONS)):
        if k % len(DILUTIONS) == 0:
            with_x, square = along(_log_model(*setup, line), REACH_PCT, start, slope, elapsed, weight, x)
        by_response = share * with_x - 0.5 * share**2 * square
        evidence[k] = by_shift + by_response + log_prior - np.log(len(onset) * shape[0])
        for towards in (-1.0, 1.0):
            found = limit_shift(*setup, line, begin, towards, tolerance, share)
            if found is not None:
                limit[k][:, np.sign(slope) == towards] = abs(found[0] - begin)
                low[k][:, np.sign(slope) == towards] = found[1]
    limit_var = 1.0 / float(w.sum()) + (MODEL_ERROR * limit) ** 2
    return Slide(unit, slope, evidence, limit, low, seen.newest_days[unit] - onset, limit_var)
