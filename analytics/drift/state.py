"""Level, drift and crossing of every response series at the newest check, as numbers for the answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.charts.thresholds import FAR
from analytics.counting.columns import Names
from analytics.counting.tables import Keys
from analytics.drift.crossing import WANDER_PER_DAY, PassageQuantiles, Paths, passage_quantiles
from analytics.drift.shift import PRIOR_SLIDE, WANDER_PCT2_PER_DAY, ResponseSeen, Slide, slides
from analytics.drift.slopes import KEPT, Ramps, weigh_ramps, weighed_alike
from analytics.drift.trend import ONSETS, PRIOR_RAMP, PRIOR_STEP, YEAR_DAYS, Trends, fit_trends
from analytics.records.snapshot import Records

Z90 = 1.6448536269514722
POSSIBLE, LIKELY = 0.08, 0.5  # probability of a drift from which a crossing has an early end, and from which a late one
SURELY_BEYOND = 0.8  # probability of being past the limit already, above which nothing is forecast
LEAST_CHECKS = 5
AROUND = 3  # checks on either side that say whether a move was over again


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
    probability: Floats  # that the response is on its way to a limit: by a ramp of its own or by a sliding window
    passage: PassageQuantiles  # given that it is
    forecast: Bools  # the passage is an answer, not noise
    sign: Floats
    by_window: Bools  # the sliding window is the likelier account
    ramp_share: Floats  # probabilities of a ramp and of a step, slopes as fleets show them and a step before any check (``Ramps.alone_ramp``)
    step_share: Floats


@dataclass(frozen=True)
class Fitted:
    """What is fitted to each unit by itself, before units hear of each other."""

    seen: Ints  # rows of the charts it rests on
    trends: Trends


def fitted(charts: ResponseCharts) -> Fitted:
    """The fits of all units."""
    rows, c, use = charts.rows, charts.corrected, seen_rows(charts)
    unit, x, variance = rows.unit[use], c.x[use], c.noise[use] + c.persistent[use]
    newest = use[np.append(unit[1:] != unit[:-1], True)] if len(use) else use
    placed_again = np.zeros(rows.units, bool)  # a newest check that lies far off and yet speaks: its repeat said the same
    placed_again[rows.unit[newest]] = np.abs(charts.outliers.z_local[newest]) > FAR
    return Fitted(use, fit_trends(unit, rows.at_days[use], x, variance, rows.units, newest_sure=placed_again))


def drift_state(
    charts: ResponseCharts,
    tolerance: float,
    now_days: float | None = None,
    *,
    kind: Ints | None = None,
    sliding: list[Slide] | None = None,
    fits: Fitted | None = None,
    kind_totals: tuple[Floats, Floats] | None = None,
) -> DriftState:
    """Fit every unit, and forecast those that drift towards the tolerance limit.

    A crossing has an early end from ``POSSIBLE`` on, and a middle and a late end where a drift is likelier than not: its
    dates are those of the passage given that there is one, and below that the chances weigh in the doubt
    (but not below 5 % after the early end, of which they would be no account).

    tolerance: fraction of the reference. now_days: moment from which chances are counted; the newest check of each unit
    where none is given. kind: [units] kind of detector, whose drifts a young slope is drawn to. sliding: accounts as
    sliding windows (``drift.shift``). fits: where they are made already. kind_totals: as in ``slopes.shrunk_middle``.
    """
    c = charts.corrected
    fits = fits if fits is not None else fitted(charts)
    ramps = weigh_ramps(fits.trends, kind, kind_totals)
    trends = weighed_alike(fits.trends, ramps)
    w = trends.weight
    level = (w * trends.level).sum(axis=1)
    level_sd = np.sqrt((w * (trends.level_var + (trends.level - level[:, None]) ** 2)).sum(axis=1))
    ramp = (trends.slope_var > 0) & (w > 0)
    share = np.where(ramp, w, 0.0)
    total = share.sum(axis=1)
    safe = np.where(total > 0, total, 1.0)
    slope = (share * trends.slope).sum(axis=1) / safe
    drifting = trends.probability_ramp >= 0.5
    low, high = slope.copy(), slope.copy()  # read where it drifts, and bisected there only
    low[drifting], high[drifting] = _mixture_interval(
        (share / safe[:, None])[drifting], trends.slope[drifting], np.sqrt(trends.slope_var[drifting]), slope[drifting]
    )
    line_sd = np.sqrt(trends.linear_slope_var)
    stepped = trends.probability_step >= 0.5
    plain = np.where(stepped, 0.0, trends.linear_slope)
    slope_out = np.where(drifting, slope, plain)
    low_out = np.where(drifting, low, plain - Z90 * line_sd)
    high_out = np.where(drifting, high, plain + Z90 * line_sd)
    lower, upper = np.log1p(-tolerance) + c.alpha, np.log1p(tolerance) + c.alpha
    outside = (w * (_cdf(lower[:, None], trends) + 1.0 - _cdf(upper[:, None], trends))).sum(axis=1)

    probability, slid, paths, sign, gone = _ways(ramps, sliding or [], tolerance)
    forecast = (
        np.isfinite(c.alpha)
        & (trends.checks >= LEAST_CHECKS)
        & (probability >= POSSIBLE)
        & ~((level < lower) | (level > upper))
        & (gone < SURELY_BEYOND)
    )
    ages = None if now_days is None else np.maximum(now_days - np.where(forecast, trends.at_days, now_days), 0.0)
    keep = forecast[paths.unit]
    kept = Paths(*(getattr(paths, name)[keep] for name in Paths.__dataclass_fields__))
    p = passage_quantiles(kept, len(level), ages)
    likely = probability >= LIKELY
    passage = PassageQuantiles(
        p.p05,
        np.where(likely, p.p50, np.nan),
        np.where(likely, p.p95, np.nan),
        {
            d: np.where(likely, values, np.maximum(probability * values, np.minimum(values, 0.05)))
            for d, values in p.within.items()
        },
    )
    return DriftState(
        trends,
        level,
        level_sd,
        slope_out,
        low_out,
        high_out,
        drifting,
        outside,
        probability,
        passage,
        forecast & np.isfinite(passage.p05),
        sign,
        slid,
        ramps.alone_ramp,
        ramps.alone_step,
    )


def seen_rows(charts: ResponseCharts) -> Ints:
    """Rows of the charts that speak of the level: the last of each check, admitted, and no dip that is over.

    One move is fitted to each unit, and a contact that cut out for a check or three and came back would be taken for it.
    """
    rows, c = charts.rows, charts.corrected
    seen = np.flatnonzero(rows.last & charts.outliers.admitted)
    over = passing_moves(rows.unit[seen], c.x[seen], c.noise[seen] + c.persistent[seen])
    return np.asarray(seen[~over])


def passing_moves(unit: Ints, x: Floats, variance: Floats) -> Bools:
    """[checks] far from the median of the seven checks around it: moved for three checks at most, and moved back.

    unit, x, variance: sorted by (unit, time). False for the first and last three of a unit, of which it cannot be said yet:
    a check says that a move is over only once three later ones have come.

    >>> x = np.array([0.0, 0.0, 0.0, 0.0, -0.5, -0.5, 0.0, 0.0, 0.0, 0.0, -0.5, -0.5])
    >>> np.flatnonzero(passing_moves(np.zeros(12, int), x, np.full(12, 1e-4))).tolist()
    [4, 5]
    """
    n, out = len(x), np.zeros(len(x), bool)
    if n > 2 * AROUND:
        ends = slice(AROUND, n - AROUND)
        inside = unit[2 * AROUND :] == unit[: -2 * AROUND]
        around = np.lib.stride_tricks.sliding_window_view(x, 2 * AROUND + 1)[inside]
        middle = np.partition(around, AROUND, axis=1)[:, AROUND]
        far = np.abs(x[ends][inside] - middle) > FAR * np.sqrt(variance[ends][inside])
        out[np.arange(AROUND, n - AROUND)[inside][far]] = True
    return out


def _ways(
    ramps: Ramps, sliding: list[Slide], tolerance: float
) -> tuple[Floats, Bools, Paths, Floats, Floats]:
    """All ways to a limit: probability of any, whether by the window, the paths, the side, and how surely it is passed.

    Distances are counted from the level before the onset, which all checks of the unit tell together with the slope.
    """
    from scipy.special import ndtr

    units, slope = len(ramps.step), ramps.slope
    share = np.ones(units)  # what a slide leaves to flat, step and ramp
    slide_share = np.zeros(units)
    parts: list[tuple[Ints, Floats, Floats, Floats, Floats, Floats, Bools]] = []
    for one in sliding:
        u = one.unit
        # The slide's evidence is against flat; that of the others is carried by the share of flat among them.
        base = np.log(max(float(ramps.flat[u]), 1e-300)) - np.log(1.0 - PRIOR_RAMP - PRIOR_STEP)
        odds = np.exp(np.minimum(one.log_evidence + np.log(PRIOR_SLIDE) + base, 600.0))
        total = 1.0 + float(odds.sum())
        share[u], slide_share[u] = 1.0 / total, 1.0 - 1.0 / total
        keep = (odds > KEPT * odds.max()) & np.isfinite(one.limit_pct)
        size = np.broadcast_to(np.abs(one.slope), odds.shape)
        away = one.limit_pct - size * one.since_onset[None, :, None]
        n = int(keep.sum())
        mine, wander = np.full(n, u, np.int64), np.full(n, WANDER_PCT2_PER_DAY)
        parts.append((mine, odds[keep] / total, size[keep], away[keep], one.limit_var[keep], wander, one.low[keep]))
    own = ramps.posterior * share[:, None, None]
    probability = own.sum(axis=(1, 2)) + slide_share
    largest = own.max(axis=(1, 2), initial=0.0)
    u_, j, k = np.nonzero((own > KEPT * largest[:, None, None]) & (probability >= POSSIBLE)[:, None, None])
    size = np.abs(slope)
    limit = np.where(slope < 0, -np.log1p(-tolerance), np.log1p(tolerance))
    away = limit[k] - size[k] * ramps.since_onset[u_, j]
    wander = np.full(len(u_), WANDER_PER_DAY)
    parts.append((u_.astype(np.int64), own[u_, j, k], size[k], away, ramps.level_var[u_], wander, slope[k] < 0))
    at, mass, drift, distance, spread, wander, side = (np.concatenate(one) for one in zip(*parts, strict=True))
    order = np.argsort(at, kind="stable")
    at, mass, side = at[order], mass[order], side[order]
    mass = mass / np.maximum(np.bincount(at, mass, units), 1e-300)[at]
    paths = Paths(at, mass, *(one[order] for one in (drift, distance, spread, wander)))
    past = ndtr(-paths.distance / np.sqrt(np.maximum(paths.distance_var, 1e-18)))
    gone = np.bincount(at, mass * past, units).astype(np.float64)
    sign = np.where(np.bincount(at, mass * side, units) >= 0.5, -1.0, 1.0)
    return probability, slide_share > 0.5 * probability, paths, sign, gone


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


def forecast_state(
    charts: ResponseCharts,
    quantities: list[QuantityChart],
    names: Names,
    keys: Keys,
    records: Records,
    tolerance: float,
    now_days: float | None = None,
    slope_totals: Mapping[str | None, tuple[float, float]] | None = None,
    fits: Fitted | None = None,
) -> DriftState:
    """Trends, sliding windows and kinds of detector of a fleet, and what follows for every unit.

    keys: of the response series. records: windows and probes as registered. slope_totals: Σ P and Σ P ln|slope| by kind of
    detector over a fleet of which these series are a part; None: they are all of it. fits: where they are made already.
    """
    fits = fits if fits is not None else fitted(charts)
    trends, rows, c, use = fits.trends, charts.rows, charts.corrected, fits.seen
    variance = (c.noise[use] + c.persistent[use]) * trends.inflation[rows.unit[use]]
    seen = ResponseSeen(
        rows.unit[use],
        rows.at_days[use],
        c.x[use],
        1.0 / variance,
        trends.onset_days[:, 1 + ONSETS :],
        trends.at_days,
        rows.unit_series,
        keys,
    )
    sliding = slides(seen, quantities, names, records, tolerance)
    kinds = detector_kinds(rows.unit_probe, names, records)
    totals = None
    if slope_totals is not None:
        by_unit = [slope_totals[one] for one in detectors_of(rows.unit_probe, names, records)]
        table = np.array(by_unit, float).reshape(-1, 2)
        totals = table[:, 0], table[:, 1]
    return drift_state(charts, tolerance, now_days, kind=kinds, sliding=sliding, fits=fits, kind_totals=totals)


def detectors_of(unit_probe: Ints, names: Names, records: Records) -> list[str | None]:
    """[units] the probe's kind of detector, as registered."""
    of = dict(zip(records.probes["probe"].astype(object), records.probes["detector"].astype(object), strict=True))
    found = [of.get(names.probe[probe]) for probe in unit_probe]
    return [one if isinstance(one, str) else None for one in found]


def detector_kinds(unit_probe: Ints, names: Names, records: Records) -> Ints:
    """[units] code of the probe's kind of detector; −1 where none is registered."""
    kinds = detectors_of(unit_probe, names, records)
    codes = {one: number for number, one in enumerate(sorted({one for one in kinds if isinstance(one, str)}))}
    return np.array([codes[one] if isinstance(one, str) else -1 for one in kinds], np.int64)
