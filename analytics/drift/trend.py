"""Where is a series now and how fast does it move: level and slope averaged over all plausible onsets.

Models of the log response x(t) of one unit: constant; a step at τ; a ramp that starts at τ; each with flat level and
a normal prior on its size. For a regressor f(t) (step or ramp) with weights w = 1/v, S_ff = Σ w (f − f̄)²,
S_fx = Σ w (f − f̄)(x − x̄):

    posterior variance of the coefficient  V = 1 / (S_ff + 1/σ²),  mean b = V S_fx,
    ln Bayes factor against constant       ½ ln(V/σ²) + ½ b²/V.

Onsets of ramps lie on a grid over the unit's checks; a step may lie at every place between two of them. The answer is the
mixture over models, so an onset that is not known widens the interval of the slope by itself. Residual spread beyond the
stated variances widens all variances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analytics.compiled import compiled

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ONSETS = 24
STEP_SD = 0.10  # prior sizes: a step of 10 %, a slope of 10 % a year
RAMP_SD_PER_YEAR = 0.10
PRIOR_STEP, PRIOR_RAMP = 0.05, 0.15  # prior probability of having moved at all
YEAR_DAYS = 365.2422


@dataclass(frozen=True)
class Trends:
    """Per unit; component arrays are [units, components] with components = constant, steps, ramps."""

    log_weight: Floats  # of each component, to a constant a unit; −inf where it is none
    weight: Floats  # posterior probability of each component
    level: Floats  # log level at ``at_days`` by each component
    level_var: Floats
    slope: Floats  # per day; 0 for constant and steps
    slope_var: Floats
    cross: Floats  # covariance of level and slope
    onset_days: Floats  # NaN for constant
    at_days: Floats  # [units] newest check
    probability_ramp: Floats  # [units]
    probability_step: Floats
    linear_slope: Floats  # [units] straight line through all, per day, with the ramp's prior
    linear_slope_var: Floats
    step_size: Floats  # [units] mean size of the step components
    checks: Ints
    inflation: Floats  # [units] factor on the stated variances, at least 1


def fit_trends(  # noqa: PLR0915 -- one model family, written out
    unit: Ints,
    at_days: Floats,
    x: Floats,
    variance: Floats,
    units: int,
    *,
    ramp_sd_per_year: float = RAMP_SD_PER_YEAR,
    step_sd: float = STEP_SD,
    newest_sure: npt.NDArray[np.bool_] | None = None,
) -> Trends:
    """Fit every unit at once. Rows sorted by (unit, time), one per check, admitted checks only.

    ramp_sd_per_year, step_sd: prior sizes in the scale of x. newest_sure: [units] whose newest check alone may tell of a step,
    since it was placed again (default: none).

    Units with fewer than three checks get a flat constant with their mean (one: itself; none: NaN).
    """
    counts = np.bincount(unit, minlength=units)
    longest = int(counts.max(initial=0))
    place = np.arange(len(unit)) - np.append(0, np.cumsum(counts))[unit]
    shape = (longest, units)  # time first: sums run over axis 0, row by row

    def spread(values: Floats, fill: float = 0.0) -> Floats:
        out = np.full(shape, fill)
        out[place, unit] = values
        return out

    first = np.zeros(units)
    first[unit[::-1]] = at_days[::-1]
    newest = np.full(units, np.nan)
    newest[unit] = at_days
    base = np.zeros(units)
    base[unit[::-1]] = x[::-1]
    w = spread(1.0 / variance)
    t = spread(at_days - first[unit])
    value = spread(x - base[unit])
    total = _sum(w)
    safe = np.where(total > 0, total, 1.0)
    mean = _sum(w * value) / safe
    centred = np.where(w > 0, value - mean, 0.0)
    span = np.where(counts > 0, newest - first, 0.0)
    components = 1 + 2 * ONSETS
    log_weight = np.full((units, components), -np.inf)
    level, level_var = np.zeros((units, components)), np.zeros((units, components))
    slope, slope_var = np.zeros((units, components)), np.zeros((units, components))
    cross, onset = np.zeros((units, components)), np.full((units, components), np.nan)
    size = np.zeros((units, components))
    inflation = _inflation(w, value)
    w = w / inflation
    total, safe = total / inflation, safe / inflation
    log_weight[:, 0] = np.log(1.0 - PRIOR_STEP - PRIOR_RAMP)
    level[:, 0], level_var[:, 0] = mean + base, 1.0 / safe
    enough = counts >= 3
    step_places = counts - 2 if newest_sure is None else counts - 2 + newest_sure
    places, in_cells = _step_cells(w, centred, total, step_places, step_sd)
    for j in range(ONSETS):
        # Ramps from the very start on; steps at the likeliest place of each cell, with the weight of all that are in it.
        ramp_from = span * j / ONSETS
        f = np.maximum(t - ramp_from, 0.0)
        prior = (ramp_sd_per_year / YEAR_DAYS) ** 2
        k = 1 + ONSETS + j
        _component(
            w,
            f,
            centred,
            safe,
            mean + base,
            np.maximum(span - ramp_from, 0.0),
            prior,
            enough & (span > 0),
            PRIOR_RAMP / ONSETS,
            k,
            log_weight,
            level,
            level_var,
            slope,
            slope_var,
            cross,
        )
        onset[:, k] = first + ramp_from
        step_at = t[np.minimum(places[j], longest - 1), np.arange(units)] if longest else np.zeros(units)
        f = (np.arange(longest)[:, None] >= places[j]).astype(float)
        k = 1 + j
        _component(
            w,
            f,
            centred,
            safe,
            mean + base,
            np.ones(units),
            step_sd**2,
            enough,
            PRIOR_STEP,
            k,
            log_weight,
            level,
            level_var,
            size,
            np.zeros_like(slope_var),
            np.zeros_like(cross),
        )
        log_weight[:, k] = np.where(enough, np.log(PRIOR_STEP) + in_cells[j], -np.inf)
        onset[:, k] = first + step_at
    peak = log_weight.max(axis=1, keepdims=True)
    weight = np.exp(log_weight - peak)
    weight /= weight.sum(axis=1, keepdims=True)
    steps, ramps = slice(1, 1 + ONSETS), slice(1 + ONSETS, components)
    p_step = weight[:, steps].sum(axis=1)
    step_size = (weight[:, steps] * size[:, steps]).sum(axis=1) / np.where(p_step > 0, p_step, 1.0)
    linear = 1 + ONSETS
    empty = counts == 0
    level[empty] = np.nan
    return Trends(
        log_weight,
        weight,
        level,
        level_var,
        slope,
        slope_var,
        cross,
        onset,
        newest,
        weight[:, ramps].sum(axis=1),
        p_step,
        slope[:, linear],
        slope_var[:, linear],
        step_size,
        counts,
        inflation,
    )


def step_evidence(trends: Trends) -> Floats:
    """[units] ln of the evidence for a step before some check, each one alike likely, against a constant level; −inf for fewer than three."""
    steps = trends.log_weight[:, 1 : 1 + ONSETS]
    peak = steps.max(axis=1)
    shown = np.where(np.isfinite(peak), peak, 0.0)
    total = np.exp(steps - shown[:, None]).sum(axis=1)
    return np.where(np.isfinite(peak), shown + np.log(np.where(total > 0, total, 1.0)) - np.log(PRIOR_STEP), -np.inf)


def _step_cells(w: Floats, value: Floats, total: Floats, number: Ints, step_sd: float) -> tuple[Ints, Floats]:
    """Steps at every place from the second check on, in ``ONSETS`` cells of places side by side.

    Of each cell its likeliest first check after the step and ln of the evidence for a step anywhere in it, [cells, units], −inf
    for a cell without a place. On a grid of places a step between two of them would be taken for a steep ramp.
    w, value: [checks, units], the values centred. total: [units] sum of w. number: [units] of places; mostly the last check is none.
    """
    after = total - np.cumsum(w, axis=0)[:-1]
    s_ff, s_fx = after * (1.0 - after / np.where(total > 0, total, 1.0)), -np.cumsum(w * value, axis=0)[:-1]
    posterior = 1.0 / (np.maximum(s_ff, 0.0) + 1.0 / step_sd**2)
    return _in_cells(0.5 * np.log(posterior / step_sd**2) + 0.5 * s_fx**2 * posterior, number)


@compiled
def _in_cells(each: Floats, number: Ints) -> tuple[Ints, Floats]:
    """Best place and ln of the mean evidence of each cell, as parts of the mean over all; each: [places, units] from the second check on."""
    units = each.shape[1]
    best, evidence = np.ones((ONSETS, units), np.int64), np.full((ONSETS, units), -np.inf)
    for unit in range(units):
        places = number[unit]
        for cell in range(ONSETS):
            begin, end = -(-cell * places // ONSETS), -(-(cell + 1) * places // ONSETS)
            peak, total = -np.inf, 0.0
            for place in range(begin, end):
                if each[place, unit] > peak:
                    peak, best[cell, unit] = each[place, unit], place + 1
            for place in range(begin, end):
                total += np.exp(each[place, unit] - peak)
            if total > 0:
                evidence[cell, unit] = peak + np.log(total) - np.log(places)
    return best, evidence


@compiled
def _sum(values: Floats) -> Floats:
    """Row by row from the top, so that the sum of one unit does not depend on those beside it."""
    out = np.zeros(values.shape[1])
    for row in range(values.shape[0]):
        for unit in range(values.shape[1]):
            out[unit] += values[row, unit]
    return out


def _inflation(w: Floats, value: Floats) -> Floats:
    """Mean squared standardised difference of neighbours, at least 1: spread that the stated variances do not explain."""
    if len(w) < 2:
        return np.ones(w.shape[1])
    both = (w[1:] > 0) & (w[:-1] > 0)
    spread = np.where(both, 1.0 / np.where(both, w[1:], 1.0) + 1.0 / np.where(both, w[:-1], 1.0), 1.0)
    square = np.where(both, np.minimum((value[1:] - value[:-1]) ** 2 / spread, 16.0), 0.0)
    pairs = _sum(both.astype(float))
    # Twenty pairs of prior at 1: few differences say little about spread.
    return np.asarray(np.maximum((_sum(square) + 20.0) / (pairs + 20.0), 1.0))


def _component(
    w: Floats,
    f: Floats,
    centred: Floats,
    total: Floats,
    mean: Floats,
    f_now: Floats,
    prior: float,
    ok: npt.NDArray[np.bool_],
    share: float,
    k: int,
    log_weight: Floats,
    level: Floats,
    level_var: Floats,
    slope: Floats,
    slope_var: Floats,
    cross: Floats,
) -> None:
    f_mean = _sum(w * f) / total
    d = np.where(w > 0, f - f_mean, 0.0)
    s_ff, s_fx = _sum(w * d * d), _sum(w * d * centred)
    posterior = 1.0 / (s_ff + 1.0 / prior)
    b = posterior * s_fx
    log_weight[:, k] = np.where(ok, np.log(share) + 0.5 * np.log(posterior / prior) + 0.5 * b * b / posterior, -np.inf)
    reach = f_now - f_mean
    level[:, k] = mean + b * reach
    level_var[:, k] = 1.0 / total + posterior * reach**2
    slope[:, k], slope_var[:, k], cross[:, k] = b, posterior, posterior * reach
