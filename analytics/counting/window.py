"""Three counts below, on and above the photopeak, fitted by the model that makes them: shift and width of the peak.

Amplitude, gain and one of width or scatter are unknown, and there are three counts, so the likelihood is greatest where
the model meets all three. The amplitude cancels in y₋ = ln(n₋/n₀), y₊ = ln(n₊/n₀); Newton's method solves both for
(gain, ln width) with the scatter known, or (gain, scatter) with the width known. Their covariance is J⁻¹ V J⁻ᵀ with V
that of (y₋, y₊). The three counts share one positioning, so repositioning cancels and V is counting alone.

The parabola through the logarithms is only the limit of a window narrow against the peak, and is not used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.counting.arrays import Bools, Floats
from analytics.counting.line_model import WindowSetup

_GAIN_RANGE = (0.70, 1.30)
_FWHM_RANGE = (0.01, 0.80)
_STEPS = 40
_CONVERGED = 1e-9


@dataclass(frozen=True)
class ThreeCounts:
    """Net rates (1/s), any positive unit will do, with variances; shared_var is what the background's error adds to all."""

    below: Floats
    centre: Floats
    above: Floats
    below_var: Floats
    centre_var: Floats
    above_var: Floats
    shared_var: Floats    # already contained in each of the three variances


@dataclass(frozen=True)
class WindowFit:
    """One row a check; NaN throughout where not ``identified``."""

    shift_pct: Floats     # (photopeak − window centre) in % of the photopeak energy
    shift_sd: Floats
    width_pct: Floats     # FWHM in % of energy
    width_sd: Floats      # 0 where the width was given
    scatter: Floats       # flat part over the lines' part at gain 1
    scatter_sd: Floats    # 0 where the scatter was given
    identified: Bools


def fit_three(
    setup: WindowSetup, counts: ThreeCounts, *, scatter: float = 0.0, fwhm_pct: Floats | float | None = None,
) -> WindowFit:
    """Shift with width (``fwhm_pct`` None, the scatter given) or shift with scatter (``fwhm_pct`` given) of all checks.

    Not identified, hence NaN: a net count of zero or below, three counts no peak of the model makes, or a solution at
    the edge of what is sensible (gain 0.7–1.3, width 1–80 %).
    """
    y, variance, usable = _log_ratios(counts)
    gain, other, met = _solve(setup, y, usable, scatter, fwhm_pct)
    jacobian = _model(setup, gain, other, scatter, fwhm_pct)[1]
    covariance, regular = _covariance(jacobian, variance)
    with_width = fwhm_pct is None
    sd_gain = np.sqrt(np.maximum(covariance[:, 0, 0], 0.0))
    sd_other = np.sqrt(np.maximum(covariance[:, 1, 1], 0.0))
    identified = usable & met & regular
    # (E·u − centre)/E
    shift = 100.0 * (gain - setup.centre_kev / setup.photopeak_kev)

    def known(values: Floats) -> Floats:
        return np.where(identified, values, np.nan)

    given = np.broadcast_to(np.asarray(0.0 if with_width else fwhm_pct, np.float64), gain.shape)
    width = 100.0 * np.exp(other) if with_width else given
    zero = np.zeros_like(gain)
    return WindowFit(
        shift_pct=known(shift), shift_sd=known(100.0 * sd_gain), width_pct=known(width),
        width_sd=known(width * sd_other if with_width else zero),
        scatter=known(np.full_like(gain, scatter) if with_width else other),
        scatter_sd=known(zero if with_width else sd_other), identified=identified)


def _log_ratios(counts: ThreeCounts) -> tuple[Floats, Floats, Bools]:
    """y (rows, 2), its covariance (rows, 2, 2), and where all three are above zero."""
    with np.errstate(invalid="ignore"):
        usable: Bools = (counts.below > 0) & (counts.centre > 0) & (counts.above > 0)
    b, c, a = (np.where(usable, one, 1.0) for one in (counts.below, counts.centre, counts.above))
    y = np.stack((np.log(b / c), np.log(a / c)), axis=-1)
    own_b = (counts.below_var - counts.shared_var) / b**2
    own_c = (counts.centre_var - counts.shared_var) / c**2
    own_a = (counts.above_var - counts.shared_var) / a**2
    slope_b, slope_a = 1.0 / b - 1.0 / c, 1.0 / a - 1.0 / c
    variance = np.empty((len(y), 2, 2))
    variance[:, 0, 0] = own_b + own_c + counts.shared_var * slope_b**2
    variance[:, 1, 1] = own_a + own_c + counts.shared_var * slope_a**2
    variance[:, 0, 1] = variance[:, 1, 0] = own_c + counts.shared_var * slope_a * slope_b
    return y, variance, usable


def _model(
    setup: WindowSetup, gain: Floats, other: Floats, scatter: float, fwhm_pct: Floats | float | None,
) -> tuple[Floats, Floats]:
    """Log ratios (rows, 2) the model makes, and their derivatives by (gain, other) (rows, 2, 2)."""
    with_width = fwhm_pct is None
    fwhm = np.exp(other) if with_width else np.broadcast_to(np.asarray(fwhm_pct, np.float64) / 100.0, gain.shape)
    unit, _, unit_by_width = setup.seen(np.ones_like(gain), fwhm)
    flat = (scatter if with_width else other) * unit
    levels, slopes = [], []
    for offset in (-setup.offset_kev, 0.0, setup.offset_kev):
        total, by_gain, by_width = setup.seen(gain, fwhm, offset)
        by_other = by_width + scatter * unit_by_width if with_width else unit
        level = np.maximum(total + flat, 1e-300)
        levels.append(np.log(level))
        slopes.append(np.stack((by_gain / level, by_other / level), axis=-1))
    y = np.stack((levels[0] - levels[1], levels[2] - levels[1]), axis=-1)
    return y, np.stack((slopes[0] - slopes[1], slopes[2] - slopes[1]), axis=1)


def _start(setup: WindowSetup, y: Floats, scatter: float, fwhm_pct: Floats | float | None) -> tuple[Floats, Floats]:
    """The best of a coarse grid: Newton from there finds the solution next to it."""
    gains = np.linspace(0.80, 1.20, 41)
    others = np.log(np.geomspace(0.03, 0.40, 14)) if fwhm_pct is None else np.array([0.0, 0.05, 0.15, 0.4, 1.0])
    u, v = (one.ravel() for one in np.meshgrid(gains, others))
    width = None if fwhm_pct is None else float(np.median(fwhm_pct))
    made = _model(setup, u, v, scatter, width)[0]
    best = np.empty(len(y), np.int64)
    for first in range(0, len(y), 4096):
        part = slice(first, first + 4096)
        best[part] = np.argmin(((y[part, None, :] - made[None]) ** 2).sum(axis=-1), axis=1)
    return u[best], v[best]


def _solve(
    setup: WindowSetup, y: Floats, usable: Bools, scatter: float, fwhm_pct: Floats | float | None,
) -> tuple[Floats, Floats, Bools]:
    """Newton with bounded steps, all checks at once; (gain, other, met)."""
    gain, other = _start(setup, y, scatter, fwhm_pct)
    met = np.zeros(len(y), bool)
    widths = None if fwhm_pct is None else np.broadcast_to(np.asarray(fwhm_pct, np.float64), gain.shape)
    bounds = np.log(_FWHM_RANGE) if fwhm_pct is None else np.array([-0.5, 20.0])
    active = np.flatnonzero(usable)
    for _ in range(_STEPS):
        if len(active) == 0:
            break
        made, jacobian = _model(setup, gain[active], other[active], scatter, None if widths is None else widths[active])
        miss = y[active] - made
        step, regular = _solve_two(jacobian, miss)
        size = np.maximum(np.abs(step[:, 0]) / 0.03, np.abs(step[:, 1]) / 0.3)
        step /= np.maximum(size, 1.0)[:, None]
        gain[active] = np.clip(gain[active] + step[:, 0], *_GAIN_RANGE)
        other[active] = np.clip(other[active] + step[:, 1], *bounds)
        done = regular & (np.abs(miss).max(axis=1) < _CONVERGED)
        met[active[done]] = True
        active = active[~done & regular]
    inside = (gain > _GAIN_RANGE[0]) & (gain < _GAIN_RANGE[1]) & (other > bounds[0]) & (other < bounds[1])
    return gain, other, met & inside


def _solve_two(matrix: Floats, right: Floats) -> tuple[Floats, Bools]:
    """Solutions of 2 × 2 systems; False and a zero step where one is singular."""
    determinant = matrix[:, 0, 0] * matrix[:, 1, 1] - matrix[:, 0, 1] * matrix[:, 1, 0]
    regular = np.isfinite(determinant) & (np.abs(determinant) > 1e-12)
    safe = np.where(regular, determinant, 1.0)
    first = (matrix[:, 1, 1] * right[:, 0] - matrix[:, 0, 1] * right[:, 1]) / safe
    second = (matrix[:, 0, 0] * right[:, 1] - matrix[:, 1, 0] * right[:, 0]) / safe
    step = np.stack((first, second), axis=-1)
    return np.where(regular[:, None], step, 0.0), regular


def _covariance(jacobian: Floats, variance: Floats) -> tuple[Floats, Bools]:
    """J⁻¹ V J⁻ᵀ, row by row (no matrix product across checks)."""
    first, regular = _solve_two(jacobian, variance[:, :, 0])
    second, _ = _solve_two(jacobian, variance[:, :, 1])
    half = np.stack((first, second), axis=-1)          # J⁻¹ V
    left, _ = _solve_two(jacobian, half[:, 0, :])
    right, _ = _solve_two(jacobian, half[:, 1, :])
    return np.stack((left, right), axis=1), regular
