"""Counting losses: from the observed rate to the true one and back, by two models of dead time.

n true rate, m observed rate (1/s), τ dead time (s).

- non-paralysable: n = m/(1 − mτ); F = dn/dm = 1/(1 − mτ)²
- paralysable:     m = n·exp(−nτ), low branch n = −W₀(−mτ)/τ; F = exp(nτ)/(1 − nτ)

The paralysable model has two true rates for each observed one; only the low branch (nτ < 1) is used, and a rate
above exp(−1)/τ = 0.368/τ has none. Source: Knoll, Radiation Detection and Measurement, chapter on dead time
[from memory]; the refusal limit as in common textbooks.
"""

from __future__ import annotations

import numpy as np

from analytics.counting.arrays import Bools, Floats, Kinds

NON_PARALYSABLE, PARALYSABLE = 0, 1
MODEL_CODES = {"non_paralysable": NON_PARALYSABLE, "paralysable": PARALYSABLE}
LOSS_WARNING = 0.10  # fraction of true counts lost above which the value is flagged (common practice, no source)
_BRANCH_LIMIT = np.exp(-1.0)


def refused(observed_cps: Floats, dead_time_s: Floats, model: Kinds) -> Bools:
    """True where no true rate on the low branch gives this observed rate.

    >>> refused(np.array([36_000.0, 37_000.0]), np.array([1e-5, 1e-5]), np.array([1, 1], np.int8)).tolist()
    [False, True]
    """
    limit = np.where(model == PARALYSABLE, _BRANCH_LIMIT, 1.0)
    occupied = observed_cps * dead_time_s
    out: Bools = np.where(model == PARALYSABLE, occupied > limit, occupied >= limit)
    return out


def true_rate(observed_cps: Floats, dead_time_s: Floats, model: Kinds) -> Floats:
    """True rate (1/s) of an observed one; NaN where `refused`.

    All arguments are arrays of one shape (or broadcast); a dead time of 0 changes nothing.

    >>> true_rate(np.array([20_000.0]), np.array([1e-5]), np.array([0], np.int8)).round(6).tolist()
    [25000.0]
    """
    observed, tau, kind = np.broadcast_arrays(
        np.asarray(observed_cps, float), np.asarray(dead_time_s, float), np.asarray(model))
    occupied = observed * tau
    with np.errstate(divide="ignore", invalid="ignore"):
        out = np.where(occupied < 1.0, observed / (1.0 - occupied), np.nan)
    para = (kind == PARALYSABLE) & (tau > 0)
    if para.any():
        out[para] = _lambert(occupied[para]) / tau[para]
    return out


def _lambert(occupied: Floats) -> Floats:
    """−W₀(−x) for 0 ≤ x ≤ 1/e, NaN above."""
    from scipy.special import lambertw

    with np.errstate(invalid="ignore"):
        inside = occupied <= _BRANCH_LIMIT
    value = -np.real(lambertw(-np.where(inside, occupied, 0.0)))
    return np.asarray(np.where(inside, value, np.nan))


def observed_rate(true_cps: Floats, dead_time_s: Floats, model: Kinds) -> Floats:
    """Observed rate (1/s) that a true rate gives.

    >>> observed_rate(np.array([10_000.0]), np.array([1e-5]), np.array([1], np.int8)).round(2).tolist()
    [9048.37]
    """
    true, tau, kind = np.broadcast_arrays(
        np.asarray(true_cps, float), np.asarray(dead_time_s, float), np.asarray(model))
    x = true * tau
    return np.asarray(np.where(kind == PARALYSABLE, true * np.exp(-x), true / (1.0 + x)))


def factor(true_cps: Floats, dead_time_s: Floats, model: Kinds) -> Floats:
    """F = d true / d observed at this true rate, by which the standard deviation of a rate grows in the correction.

    NaN at or beyond the paralysable peak (nτ ≥ 1).

    >>> factor(np.array([25_000.0]), np.array([1e-5]), np.array([0], np.int8)).round(6).tolist()
    [1.5625]
    """
    true, tau, kind = np.broadcast_arrays(
        np.asarray(true_cps, float), np.asarray(dead_time_s, float), np.asarray(model))
    x = true * tau
    out = np.asarray((1.0 + x) ** 2)
    para = (kind == PARALYSABLE) & (tau > 0)
    if para.any():
        xp = x[para]
        with np.errstate(divide="ignore", invalid="ignore"):
            out[para] = np.where(xp < 1.0, np.exp(np.minimum(xp, 1.0)) / (1.0 - xp), np.nan)
    return out


def loss(observed_cps: Floats, true_cps: Floats) -> Floats:
    """Fraction of the true counts that was lost, 1 − m/n; 0 where nothing was counted, NaN where the model refused."""
    with np.errstate(divide="ignore", invalid="ignore"):
        out: Floats = np.where(observed_cps == 0, 0.0, 1.0 - observed_cps / true_cps)
    return out


def two_source_dead_time_s(first_cps: float, second_cps: float, both_cps: float, background_cps: float = 0.0) -> float:
    """Non-paralysable dead time (s) from two sources counted singly and together.

    τ = X(1 − √(1 − Z))/Y with X = m₁m₂ − m_b·m₁₂, Y = m₁m₂(m₁₂ + m_b) − m_b·m₁₂(m₁ + m₂),
    Z = Y(m₁ + m₂ − m₁₂ − m_b)/X². Knoll's formula [as quoted in the project's table of check values, row 16].
    NaN where the counts allow none: more together than singly (chance does that), or a rate of 1/τ and more.

    >>> round(two_source_dead_time_s(7307.6, 8130.9, 14126.5, 10.0) * 1e6, 3)
    12.0
    """
    m1, m2, m12, mb = first_cps, second_cps, both_cps, background_cps
    x = m1 * m2 - mb * m12
    y = m1 * m2 * (m12 + mb) - mb * m12 * (m1 + m2)
    if x <= 0 or y <= 0:
        return float("nan")
    z = y * (m1 + m2 - m12 - mb) / x**2
    if not 0.0 <= z <= 1.0:
        return float("nan")
    tau = float(x * (1.0 - np.sqrt(1.0 - z)) / y)
    return tau if tau * max(m1, m2, m12) < 1.0 - 1e-9 else float("nan")
