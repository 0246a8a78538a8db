"""Level, drift and crossing of every response series at the newest check, as numbers for the answer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints
from analytics.charts.response import ResponseCharts
from analytics.drift.crossing import PassageQuantiles, passage_quantiles
from analytics.drift.trend import YEAR_DAYS, Trends, fit_trends

Z90 = 1.6448536269514722
POSSIBLE, ESTABLISHED = (
    0.12,
    0.9,
)  # probability of a ramp from which a forecast is possible, and from which it has a late end


@dataclass(frozen=True)
class DriftState:
    """Arrays per unit of the response charts (log scale; per day unless the name says otherwise)."""

    trends: Trends
    level: Floats
    level_sd: Floats
    slope: Floats
    slope_low: Floats
    slope_high: Floats
    drifting: Bools  # a ramp is the best account of what was seen
    probability_outside: Floats
    passage: PassageQuantiles
    forecast: Bools  # the passage is an answer, not noise
    sign: Floats


def drift_state(charts: ResponseCharts, alarmed: Bools, tolerance: float, now_days: float | None = None) -> DriftState:
    """Fit every unit, and forecast those that drift towards the tolerance limit.

    alarmed: [units] a level alarm is open. tolerance: fraction of the reference. now_days: moment from
    which chances are counted; the newest check of each unit where none is given.
    """
    rows, c = charts.rows, charts.corrected
    use = np.flatnonzero(rows.last & charts.outliers.admitted)
    trends = fit_trends(rows.unit[use], rows.at_days[use], c.x[use], c.noise[use] + c.persistent[use], rows.units)
    w = trends.weight
    level = (w * trends.level).sum(axis=1)
    level_sd = np.sqrt((w * (trends.level_var + (trends.level - level[:, None]) ** 2)).sum(axis=1))
    ramp = (trends.slope_var > 0) & (w > 0)
    share = np.where(ramp, w, 0.0)
    total = share.sum(axis=1)
    safe = np.where(total > 0, total, 1.0)
    slope = (share * trends.slope).sum(axis=1) / safe
    low, high = _mixture_interval(share / safe[:, None], trends.slope, np.sqrt(trends.slope_var), slope)
    drifting = trends.probability_ramp >= 0.5
    line_sd = np.sqrt(trends.linear_slope_var)
    stepped = trends.probability_step >= 0.5
    plain = np.where(stepped, 0.0, trends.linear_slope)
    slope_out = np.where(drifting, slope, plain)
    low_out = np.where(drifting, low, plain - Z90 * line_sd)
    high_out = np.where(drifting, high, plain + Z90 * line_sd)
    lower, upper = np.log1p(-tolerance) + c.alpha, np.log1p(tolerance) + c.alpha
    outside = (w * (_cdf(lower[:, None], trends) + 1.0 - _cdf(upper[:, None], trends))).sum(axis=1)
    sign = np.where(slope < 0, -1.0, 1.0)
    beyond = (level < lower) | (level > upper)
    real = trends.probability_ramp
    # A possible drift gets its early end; only an established one gets a late end.
    forecast = (
        np.isfinite(c.alpha) & ~beyond & (trends.checks >= 5) & (real >= POSSIBLE) & (real >= trends.probability_step)
    )
    sure = alarmed & (real >= 0.5) | (real >= ESTABLISHED)
    units = len(level)
    nothing = np.full(units, np.nan)
    passage = PassageQuantiles(
        nothing.copy(), nothing.copy(), nothing.copy(), {d: nothing.copy() for d in (90, 182, 365)}
    )
    pick = np.flatnonzero(forecast)
    if len(pick):
        some = passage_quantiles(
            share[pick] / safe[pick][:, None],
            trends.level[pick],
            trends.level_var[pick],
            trends.slope[pick],
            trends.slope_var[pick],
            trends.cross[pick],
            np.where(sign[pick] < 0, lower[pick], upper[pick]),
            sign[pick],
            age_days=None if now_days is None else np.maximum(now_days - trends.at_days[pick], 0.0),
        )
        known = sure[pick]
        passage.p05[pick] = some.p05
        passage.p50[pick] = np.where(known | (real[pick] >= 0.5), some.p50, np.nan)
        passage.p95[pick] = np.where(known, some.p95, np.nan)
        for d, values in some.within.items():
            passage.within[d][pick] = values * np.where(known, 1.0, real[pick])
    return DriftState(
        trends,
        level,
        level_sd,
        slope_out,
        low_out,
        high_out,
        drifting,
        outside,
        passage,
        forecast & np.isfinite(passage.p05),
        sign,
    )


def _cdf(limit: Floats, trends: Trends) -> Floats:
    from scipy.special import ndtr

    return np.asarray(ndtr((limit - trends.level) / np.sqrt(np.maximum(trends.level_var, 1e-18))))


def _mixture_interval(weight: Floats, mean: Floats, sd: Floats, centre: Floats) -> tuple[Floats, Floats]:
    """5 % and 95 % quantiles of a mixture of normals per row, by bisection."""
    from scipy.special import ndtr

    spread = np.sqrt((weight * (sd**2 + (mean - centre[:, None]) ** 2)).sum(axis=1)) + 1e-15
    ends = []
    for q in (0.05, 0.95):
        lo, hi = centre - 12 * spread, centre + 12 * spread
        for _ in range(48):
            mid = 0.5 * (lo + hi)
            p = (weight * ndtr((mid[:, None] - mean) / np.maximum(sd, 1e-15))).sum(axis=1)
            lo, hi = np.where(p < q, mid, lo), np.where(p < q, hi, mid)
        ends.append(0.5 * (lo + hi))
    return ends[0], ends[1]


def per_year(slope_per_day: float) -> float:
    """Log slope a day as a fraction a year."""
    return float(slope_per_day * YEAR_DAYS)


def newest_unit(rows_unit_series: Ints, series: int) -> int:
    """The unit in force of a series (the last one); −1 where the series has none."""
    mine = np.flatnonzero(rows_unit_series == series)
    return int(mine[-1]) if len(mine) else -1
