"""What the response most likely was at moments between checks, where one change is known to have happened.

Models of y = ln(response / reference) over one stretch of checks at times t_i with variances v_i, w = 1/v:
constant; a step of size b in one of the gaps between two checks; a step that goes back in a later gap; a ramp of slope b
that starts at one of the checks. With f the shape of the change, S_ff = Σ w (f − f̄)², S_fy = Σ w (f − f̄)(y − ȳ) and a normal prior of variance σ² on b,

    V = 1 / (S_ff + 1/σ²),  b = V S_fy,  ln Bayes factor = ½ ln(V/σ²) + ½ b²/V,
    y(τ) ~ N(ȳ + b (f(τ) − f̄), 1/Σw + V (f(τ) − f̄)²).

A step may have come at any moment of its gap, each as likely as any other: inside the gap its component is both, before
and after, in the share of the time gone by. The answer is the mixture of all models (Bayesian linear regression with a
known variance, and averaging over models; textbook algebra, from memory). The priors are our own choice: the shares
below, sizes of 30 % and 30 % a year.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STEP_SD, RAMP_SD_PER_YEAR = 0.30, 0.30
CONSTANT_SHARE, STEP_SHARE, PULSE_SHARE, RAMP_SHARE = 0.10, 0.35, 0.20, 0.35
YEAR_DAYS = 365.2422
WANDER_PER_DAY = 0.01**2 / YEAR_DAYS  # after the last check: a random walk of 1 % in a year beside the change
LEAST_CHECKS = 3
SPREAD_PRIOR = 10.0  # checks for which "the stated variances are right" counts


@dataclass(frozen=True)
class Likely:
    """Arrays [moments], as logs of response / reference."""

    middle: Floats  # median
    low: Floats  # 5 %
    high: Floats  # 95 %
    beyond: Floats  # probability of lying beyond the limits


def likely_response(
    at_days: Floats,
    y: Floats,
    variance: Floats,
    moments_days: Floats,
    *,
    common_variance: float = 0.0,
    limits: tuple[float, float],
) -> Likely | None:
    """The mixture at the asked moments; None with fewer than three checks.

    at_days, y, variance: [checks], times rising, y = ln(response / reference), variance of each by counting and placing.
    moments_days: [moments], any order; before the first check the first level stands.
    common_variance: of what all checks share (the reference), added at every moment.
    limits: lower and upper limit as logs.

    Spread beyond the stated variances widens all of them (Birge ratio), and counts as the probe's own: the response at a
    moment has it too.

    A constant series gives its level:

    >>> t = np.arange(6.0)
    >>> flat = likely_response(t, np.zeros(6), np.full(6, 1e-6), np.array([2.5]), limits=(-0.1, 0.1))
    >>> bool(abs(flat.middle[0]) < 1e-3), bool(flat.beyond[0] < 1e-6)
    (True, True)
    """
    n = len(at_days)
    if n < LEAST_CHECKS:
        return None
    entry, leave = _changes(n)
    pulses = len(entry) - (n - 1)
    shares = ((CONSTANT_SHARE, 1), (STEP_SHARE, n - 1), (PULSE_SHARE, pulses), (RAMP_SHARE, n - 1))
    prior = np.concatenate([np.full(many, share / max(many, 1)) for share, many in shares])
    prior = prior / prior.sum()
    size_var = np.full(len(prior), STEP_SD**2)
    size_var[-(n - 1) :] = (RAMP_SD_PER_YEAR / YEAR_DAYS) ** 2
    f = _shapes(at_days, at_days, entry, leave, 1.0)
    # Once to see how well the best model fits, and again with the spread it leaves.
    wide = variance
    for _ in range(2):
        w = 1.0 / wide
        total = w.sum()
        mean = float((w * y).sum() / total)
        f_mean = (f * w).sum(axis=1) / total
        d = f - f_mean[:, None]
        s_ff, s_fy = (d * d * w).sum(axis=1), (d * w * (y - mean)).sum(axis=1)
        post = 1.0 / (s_ff + 1.0 / size_var)
        b = post * s_fy
        log_weight = np.log(prior) + np.where(
            np.arange(len(f)) == 0, 0.0, 0.5 * np.log(post / size_var) + 0.5 * b * b / post
        )
        best = int(np.argmax(log_weight))
        left = y - mean - b[best] * d[best]
        misfit = float(np.minimum(left**2 * w, 25.0).sum())
        ratio = max(1.0, (misfit + SPREAD_PRIOR) / (max(n - 2, 1) + SPREAD_PRIOR))
        wide = wide * ratio
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    inside = (moments_days > at_days[:-1, None]) & (moments_days < at_days[1:, None])
    gone = np.where(inside, (moments_days - at_days[:-1, None]) / np.maximum(np.diff(at_days), 1e-9)[:, None], 0.0)
    moving = np.zeros((len(f), len(moments_days)))
    moving[1 : 1 + len(entry)] = gone[entry]
    going_back = np.where(leave < n - 1, leave, 0)
    moving[1 : 1 + len(entry)] += np.where((leave < n - 1)[:, None], gone[going_back], 0.0)
    after = _shapes(at_days, moments_days, entry, leave, 1.0)
    before = _shapes(at_days, moments_days, entry, leave, 0.0)
    share = np.where(moving > 0, moving, 1.0)
    own_spread = float(np.median(wide - variance))  # beyond counting and placing: the probe's own, from moment to moment
    late = np.maximum(moments_days - at_days[-1], 0.0) * WANDER_PER_DAY
    means, variances, weights = [], [], []
    for shape, part in ((after, share), (before, 1.0 - share)):
        reach = shape - f_mean[:, None]
        means.append(mean + b[:, None] * reach)
        variances.append(1.0 / total + post[:, None] * reach**2 + common_variance + own_spread + late)
        weights.append(weight[:, None] * part)
    m, sd, share_of = np.concatenate(means), np.sqrt(np.concatenate(variances)), np.concatenate(weights)
    low, middle, high = (_quantile(q, m, sd, share_of) for q in (0.05, 0.5, 0.95))
    outside = _below(limits[0], m, sd, share_of) + 1.0 - _below(limits[1], m, sd, share_of)
    return Likely(middle, low, high, np.clip(outside, 0.0, 1.0))


def _changes(n: int) -> tuple[Ints, Ints]:
    """Gap in which the response steps, and gap in which it steps back (n − 1: never), for n checks: steps, then pulses.

    >>> _changes(3)
    (array([0, 1, 0]), array([2, 2, 1]))
    """
    first, last = np.triu_indices(n - 1, 1)
    return np.append(np.arange(n - 1), first), np.append(np.full(n - 1, n - 1), last)


def _shapes(at_days: Floats, when: Floats, entry: Ints, leave: Ints, inside: float) -> Floats:
    """The regressors at ``when``: [1 + steps and pulses + ramps, when]; the constant's is 0.

    inside: 1: within a gap its change has come already, 0: it has not.
    """
    n = len(at_days)
    passed = when[None, :] >= at_days[1:, None] if inside == 0.0 else when[None, :] > at_days[:-1, None]
    stepped = np.concatenate([passed.astype(float), np.zeros((1, len(when)))])  # by gap; the last: never
    ramps = np.maximum(when[None, :] - at_days[:-1, None], 0.0)
    return np.concatenate([np.zeros((1, len(when))), stepped[entry] - stepped[np.minimum(leave, n - 1)], ramps])


def _below(x: Floats | float, mean: Floats, sd: Floats, weight: Floats) -> Floats:
    from scipy.special import ndtr

    return np.asarray((weight * ndtr((x - mean) / sd)).sum(axis=0))


def _quantile(q: float, mean: Floats, sd: Floats, weight: Floats) -> Floats:
    """Quantile of each column's mixture of normals, by bisection."""
    low, high = (mean - 10 * sd).min(axis=0), (mean + 10 * sd).max(axis=0)
    for _ in range(40):
        middle = 0.5 * (low + high)
        under = _below(middle, mean, sd, weight) < q
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray(0.5 * (low + high))
