"""Did the last service hold? The level and the drift after it, against those before it, as a probability.

For one series, x = ln(response) with the shared movement taken off. Before the service: reference α, level lost up to
it, and a drift b₀ with its uncertainty (the mixture over onsets of ``drift.trend``). After it a weighted straight line
from the day of the service gives level û and drift b̂ with their covariance C. Two accounts of (u, b):

    held          u ~ α ± s,                 b ~ N(0, s_b²)
    did not hold  u ~ α + lost·(1 − r) ± s,  b ~ b₀ (1 ± 30 %),    r between 0 (nothing came back) and 1 (all did)

(s: how near a mended probe comes to what it was, wide for the share of services that change the level itself; common
practice, no source.) What speaks for either is the density of
(û, b̂) under N(prior mean, prior covariance + C), averaged over the mixture; so few checks after the service lean on
the drift before it, and say little where that is not known either. The window's shift, in per cent of the photopeak's
energy, is held against its own slide before in the same way, and both speak together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.advice.before_service import SHIFT_NOISE, Around, AroundServices
from analytics.baseline.rows import Floats, Ints
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.drift.state import Z90, DriftState
from analytics.drift.trend import ONSETS, YEAR_DAYS, Trends

LEVEL_SPREAD = 0.025  # log response: how far a mended probe lies from what it was
ANOTHER_LEVEL = 0.3  # log response: how far where the service changed the level itself (detector, head, setting)
CHANGED = {"detector_replaced": 0.7, "recentred": 0.3}  # share of services that do (common practice, no source)
CHANGED_ELSE = 0.1
DRIFT_SPREAD = 0.006  # log response a year that a sound probe may wander
ALIKE = 0.3  # relative: how much a drift that goes on may differ from the one before
SHARES = np.linspace(0.0, 1.0, 9)  # of the loss that is still there
SHARE_WEIGHTS = np.array([0.4, *[0.5 / 7] * 7, 0.1])  # all came back, a part, nothing (common practice, no source)
STEP_WEIGHTS = np.append(0.0, SHARE_WEIGHTS[1:] / SHARE_WEIGHTS[1:].sum())
UNSEEN_DRIFT = 0.05  # log response a year: a drift that was too young to be seen before the service
UNSEEN_SHARES = (0.7, 0.3)  # down, up (common practice, no source)
SHARED_DRIFT = 0.002  # log response a year that the shared movement may leave over
LIKELY = 0.5
LATER = 5  # checks between a service and a step, from which on the step is another fault
A_SECOND = 1.0 / 86_400.0  # days
TINY = 1e-300
ANOTHER_SHIFT = 3.0  # % of the photopeak's energy: where the window was set otherwise
SHIFT_SPREAD, SHIFT_DRIFT = 0.5, 0.3  # % of the photopeak's energy (a year): set anew, wander


@dataclass(frozen=True)
class After:
    """One series before and after a service. Log scale and a year for the response, per cent for the shift."""

    what: str  # "response" or "window shift"
    checks: int  # after the service
    drift_before: float
    drift_before_sd: float
    drift_after: float
    drift_after_sd: float
    lost: float  # change up to the service, against the reference before it
    left: float  # of it, still there after the service
    left_sd: float
    log_odds: float  # ln of density had it not held over density had it held

    @property
    def tells(self) -> bool:
        """Whether it says anything: a series without a level before the service, or of numbers beyond all bounds, does not."""
        return bool(np.isfinite([self.lost, self.left, self.drift_before, self.drift_after, self.log_odds]).all())


def log_density(value: Floats, mean: Floats, covariance: Floats) -> Floats:
    """Log density of a bivariate normal. value [2]; mean [k, 2]; covariance [k, 2, 2].

    >>> float(log_density(np.zeros(2), np.zeros((1, 2)), np.eye(2)[None])[0].round(4))
    -1.8379
    """
    a, b, d = covariance[:, 0, 0], covariance[:, 0, 1], covariance[:, 1, 1]
    det = a * d - b * b
    u, v = (value - mean).T
    return np.asarray(-0.5 * (d * u * u - 2.0 * b * u * v + a * v * v) / det - 0.5 * np.log(det) - np.log(2.0 * np.pi))


def line(age_years: Floats, x: Floats, variance: Floats, level_prior: float, drift_prior: float) -> tuple[Floats, Floats]:
    """Weighted straight line x = u + b·age: (u, b) and their covariance [2, 2].

    level_prior, drift_prior: variances of wide priors about 0, so that one or two checks have an answer too.
    Spread beyond the stated variances widens the covariance (twenty checks' worth of trust in the stated ones).

    >>> fit, cov = line(np.array([0.0, 1.0, 2.0]), np.array([1.0, 2.0, 3.0]), np.full(3, 1e-8), 1e4, 1e4)
    >>> fit.round(4).tolist()
    [1.0, 1.0]
    """
    base = float(np.median(x))
    design = np.stack([np.ones(len(x)), age_years], axis=1)
    for _ in range(2):
        normal = (design[:, :, None] * design[:, None, :] / variance[:, None, None]).sum(axis=0)
        normal = normal + np.diag([1.0 / level_prior, 1.0 / drift_prior])
        covariance = np.linalg.inv(normal)
        fit = covariance @ (design * ((x - base) / variance)[:, None]).sum(axis=0)
        rest = (x - base - (design * fit).sum(axis=1)) ** 2 / variance
        more = max((float(np.minimum(rest, 16.0).sum()) + 20.0) / (max(len(x) - 2, 0) + 20.0), 1.0)
        if more <= 1.0:
            break
        variance = variance * more
    return fit + np.array([base, 0.0]), covariance


def compare(
    what: str,
    fit: Floats,
    covariance: Floats,
    checks: int,
    weight: Floats,
    drift: Floats,
    drift_var: Floats,
    lost: float,
    lost_sd: float,
    level_spreads: tuple[tuple[float, float], ...],
    drift_spread: float,
) -> After:
    """Both accounts of what was seen after one service.

    fit, covariance: level against the reference before and drift a year after the service. weight, drift, drift_var:
    [components] the drifts that it may have had before, weights summing to 1. lost: change up to the service.
    level_spreads: weights and sizes of how far a mended probe lies from what it was.
    """
    held = np.log(sum(
        w * np.exp(log_density(fit, np.zeros((1, 2)), (covariance + np.diag([of**2, drift_spread**2]))[None])[0])
        for w, of in level_spreads
    ) + TINY)
    left = SHARES[:, None] * lost  # [shares, components]
    mean = np.stack(np.broadcast_arrays(left, drift[None, :]), axis=-1).reshape(-1, 2)
    spread = np.zeros((len(SHARES), len(drift), 2, 2))
    spread[:, :, 1, 1] = drift_spread**2 + drift_var + (ALIKE * drift) ** 2
    # What does not drift and came back as a whole did hold.
    only_level = (drift == 0.0) & (drift_var == 0.0)
    # And so did, as far as it matters, what stands still within the spread of mended probes.
    small = np.abs(SHARES * lost) < 2.0 * level_spreads[0][1]
    matters = np.where(small & (what == "response"), 0.0, STEP_WEIGHTS)
    shares = np.where(only_level[None, :], matters[:, None], SHARE_WEIGHTS[:, None])
    weights = (shares * weight[None, :]).ravel()
    total = TINY
    for w, of in level_spreads:
        spread[:, :, 0, 0] = of**2 + (SHARES[:, None] * lost_sd) ** 2 + (lost / len(SHARES)) ** 2
        total += w * float((weights * np.exp(log_density(fit, mean, (spread + covariance).reshape(-1, 2, 2)))).sum())
    not_held = np.log(total)
    before = float((weight * drift).sum())
    before_sd = float(np.sqrt((weight * (drift_var + (drift - before) ** 2)).sum()))
    return After(
        what, checks, before, before_sd, float(fit[1]), float(np.sqrt(covariance[1, 1])),
        lost, float(fit[0]), float(np.sqrt(covariance[0, 0])), float(not_held - held),
    )


def _drifts(trends: Trends, unit: int, unseen: float) -> tuple[Floats, Floats, Floats]:
    """Components of the drift of one unit: weight, drift a year, its variance; level and step count as no drift."""
    weight = trends.weight[unit]
    ramp = trends.slope_var[unit] > 0
    keep = ramp & (weight > 1e-4)
    flat = max(float(weight[0]), 1e-6)  # nothing was seen: a drift too young to be seen, more likely a loss
    step = max(float(weight[~ramp][1:].sum()), 1e-6)  # what stepped does not drift on
    w = np.concatenate([weight[keep], flat * np.array(UNSEEN_SHARES), [step]])
    drift = np.concatenate([trends.slope[unit][keep] * YEAR_DAYS, unseen * np.array([-1.0, 1.0]), [0.0]])
    var = np.concatenate([trends.slope_var[unit][keep] * YEAR_DAYS**2, np.full(2, (0.6 * unseen) ** 2), [0.0]])
    return w / w.sum(), drift, var


def before_a_later_step(charts: ResponseCharts, state: DriftState, after: Ints) -> Ints:
    """The checks after a service up to a step that came five of them later or more.

    Where the loss before the service was no step, this is a fault of its own; where it was one, it may be the same again.
    """
    rows, trends = charts.rows, state.trends
    unit = int(rows.unit[after[-1]])
    if trends.probability_step[unit] < LIKELY:
        return after
    likeliest = 1 + int(trends.weight[unit, 1 : 1 + ONSETS].argmax())
    kept = after[rows.at_days[after] < trends.onset_days[unit, likeliest] - A_SECOND]
    return kept if len(kept) >= LATER else after


def after_response(charts: ResponseCharts, state: DriftState, around: AroundServices, one: Around, service_day: float, kind: str) -> After:
    """The response of one series before and after a service, whether it began a new reference or not."""
    rows, c = charts.rows, charts.corrected
    old = int(rows.unit[one.before[-1]])
    # What was known up to the service.
    trends, place = around.response_trends[one.series] if one.goes_on else (state.trends, old)
    weight, drift, var = _drifts(trends, place, UNSEEN_DRIFT)
    after = one.after if trends.probability_step[place] >= LIKELY else before_a_later_step(charts, state, one.after)
    if not one.goes_on:
        level, level_sd = float(state.level[old]), float(state.level_sd[old])
    else:
        each, level_var = trends.level[place], trends.level_var[place]
        level = float((trends.weight[place] * each).sum())
        level_sd = float(np.sqrt((trends.weight[place] * (level_var + (each - level) ** 2)).sum()))
    fit, covariance = line(
        (rows.at_days[after] - service_day) / YEAR_DAYS, c.x[after] - c.alpha[old], c.noise[after], 1.0, 1.0
    )
    changed = CHANGED.get(kind, CHANGED_ELSE)
    covariance = covariance + np.diag([float(c.persistent[after].mean()) + float(c.alpha_var[old]), SHARED_DRIFT**2])
    return compare(
        "response", fit, covariance, len(after), weight, drift, var, level - float(c.alpha[old]), level_sd,
        ((1.0 - changed, LEVEL_SPREAD), (changed, ANOTHER_LEVEL)), DRIFT_SPREAD,
    )


def after_shift(chart: QuantityChart, around: AroundServices, one: Around, service_day: float) -> After:
    """The photopeak's place in the window before and after a service."""
    before, after = one.before, one.after
    centre = float(chart.value[before[0]])
    variance = chart.sd[before] ** 2 + SHIFT_NOISE**2
    trends, place = around.shift_trends[one.series]
    if len(before) == 2:  # too few for onsets: the line between them
        years = max(float(chart.at_days[before[1]] - chart.at_days[before[0]]) / YEAR_DAYS, 0.05)
        slope = float(np.diff(chart.value[before])[0]) / years
        weight, drift, var = np.ones(1), np.array([slope]), np.array([float(variance.sum()) / years**2])
    else:
        weight, drift, var = _drifts(trends, place, 0.0)  # a window that did not slide says nothing of another fault
    fit, covariance = line(
        (chart.at_days[after] - service_day) / YEAR_DAYS,
        chart.value[after] - centre,
        chart.sd[after] ** 2 + SHIFT_NOISE**2,
        25.0,
        100.0,
    )
    covariance = covariance + np.diag([float(variance[0]), 0.0])
    level = float((trends.weight[place] * trends.level[place]).sum()) - centre
    return compare(
        "window shift", fit, covariance, len(after), weight, drift, var, level, float(np.sqrt(variance[-1])),
        ((0.9, SHIFT_SPREAD), (0.1, ANOTHER_SHIFT)), SHIFT_DRIFT,
    )


def not_held_probability(parts: list[After], prior: float) -> float:
    """Probability that the service did not hold, from all series together; the prior where there are none.

    >>> round(not_held_probability([], 0.3), 3)
    0.3
    """
    total = float(np.log(prior / (1.0 - prior))) + sum(part.log_odds for part in parts)
    return float(1.0 / (1.0 + np.exp(-np.clip(total, -50.0, 50.0))))


def interval(value: float, sd: float) -> tuple[float, float]:
    """90 % interval."""
    return value - Z90 * sd, value + Z90 * sd
