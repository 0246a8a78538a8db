"""Three counts below, on and above the photopeak, fitted by the model that makes them: shift, width, scatter.

Amplitude, gain, line width and scatter are four unknowns and there are three counts, so either the scatter or the width
has to be known. The likelihood is then greatest where the model meets all three counts. The amplitude cancels in
y₋ = ln(n₋/n₀), y₊ = ln(n₊/n₀); Newton's method solves both, all checks at once. The covariance of the two unknowns is
J⁻¹ V J⁻ᵀ with V that of (y₋, y₊): counting alone, for the three counts share one positioning.

- `fit_width`: gain and width, the scatter given. With an offset of half the window a narrow line has n₋/n₀ = ½ whatever
  its width: then nothing is said.
- `fit_shift`: gain and scatter, the width given (`fwhm_pct`). Where that needs a scatter below zero, the likelihood is
  greatest near scatter 0 and the gain is read from n₊/n₋ there; both ways agree at the border, so no series jumps.
  A width taken wrongly by a tenth scales the shift by about a tenth, at every check of the probe alike.

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
_LARGEST_SHIFT_SD_PCT = 10.0     # a shift known no better than this says nothing
_LARGEST_WIDTH_SD = 0.25         # relative


@dataclass(frozen=True)
class ThreeCounts:
    """Net rates with variances, in any one unit; shared_var is what the background's error adds to all three."""

    below: Floats
    centre: Floats
    above: Floats
    below_var: Floats
    centre_var: Floats
    above_var: Floats
    shared_var: Floats    # already contained in each of the three variances


@dataclass(frozen=True)
class ShiftFit:
    """One row a check; NaN where not ``identified``. Standard deviations are of counting alone."""

    shift_pct: Floats     # (photopeak − window centre) in % of the photopeak energy
    shift_sd: Floats
    scatter: Floats       # flat part over the lines' part of the centred window at gain 1; 0 at the border
    scatter_sd: Floats    # NaN at the border
    identified: Bools


@dataclass(frozen=True)
class WidthFit:
    """One row a check; NaN where not ``identified``. Standard deviations are of counting alone."""

    shift_pct: Floats
    shift_sd: Floats
    width_pct: Floats     # FWHM in % of energy
    width_sd: Floats
    identified: Bools


def fit_width(setup: WindowSetup, counts: ThreeCounts, scatter: float = 0.0) -> WidthFit:
    """Gain and line width of all checks, the scatter known (flat part over the lines' part at gain 1).

    Not identified, hence NaN: a net count of zero or below, three counts no line of the model makes, a solution at the
    edge of what is sensible (gain 0.7–1.3, width 1–80 %), or a width with a relative standard deviation above 25 %.
    """
    y, variance, usable = _log_ratios(counts)
    gain, log_width, met = _solve(setup, y, usable, scatter, None)
    covariance, regular = _covariance(_model(setup, gain, log_width, scatter, None)[1], variance)
    sd = np.sqrt(np.maximum(covariance[:, [0, 1], [0, 1]], 0.0))
    good = usable & met & regular & (sd[:, 1] < _LARGEST_WIDTH_SD) & (100.0 * sd[:, 0] < _LARGEST_SHIFT_SD_PCT)
    width = 100.0 * np.exp(log_width)
    return WidthFit(
        _known(_shift_pct(setup, gain), good), _known(100.0 * sd[:, 0], good), _known(width, good),
        _known(width * sd[:, 1], good), good)


def fit_shift(setup: WindowSetup, counts: ThreeCounts, fwhm_pct: Floats | float) -> ShiftFit:
    """Gain and scatter of all checks, the line width known: one for all or one each (FWHM, % of the energy).

    Not identified, hence NaN: a net count of zero or below, a gain beyond 0.7–1.3, or a shift with a standard deviation
    above 10 %.
    """
    y, variance, usable = _log_ratios(counts)
    fwhm = np.broadcast_to(np.asarray(fwhm_pct, np.float64), usable.shape)
    gain, scatter, met = _solve(setup, y, usable, 0.0, fwhm)
    covariance, regular = _covariance(_model(setup, gain, scatter, 0.0, fwhm)[1], variance)
    sd = np.sqrt(np.maximum(covariance[:, [0, 1], [0, 1]], 0.0))
    inside = met & regular & (scatter >= 0.0)
    border = np.flatnonzero(usable & ~inside)
    at_border = np.zeros(len(usable), bool)
    if len(border):
        difference = y[border, 1] - y[border, 0]
        spread = variance[border, 0, 0] + variance[border, 1, 1] - 2.0 * variance[border, 0, 1]
        gain[border], slope, at_border[border] = _gain_at_border(setup, difference, fwhm[border])
        sd[border, 0] = np.sqrt(np.maximum(spread, 0.0)) / np.maximum(np.abs(slope), 1e-12)
        scatter[border], sd[border, 1] = 0.0, np.nan
    good = usable & (inside | at_border) & (100.0 * sd[:, 0] < _LARGEST_SHIFT_SD_PCT)
    return ShiftFit(
        _known(_shift_pct(setup, gain), good), _known(100.0 * sd[:, 0], good), _known(scatter, good),
        _known(sd[:, 1], good), good)


def _known(values: Floats, good: Bools) -> Floats:
    return np.where(good, values, np.nan)


def _shift_pct(setup: WindowSetup, gain: Floats) -> Floats:
    """(E·u − centre)/E in per cent."""
    return 100.0 * (gain - setup.centre_kev / setup.photopeak_kev)


def _gain_at_border(setup: WindowSetup, difference: Floats, fwhm_pct: Floats) -> tuple[Floats, Floats, Bools]:
    """Gain at which ln(n₊/n₋) without scatter is ``difference``, the slope there, and where the steps settled."""
    other = np.zeros_like(difference)
    grid = np.linspace(*_GAIN_RANGE, 241)
    middle = np.full_like(grid, float(np.median(fwhm_pct)))
    made = _model(setup, grid, np.zeros_like(grid), 0.0, middle)[0]
    # In the range where neither window is empty the ratio rises with the gain; take the grid's own rising hull.
    gain = np.interp(difference, np.maximum.accumulate(made[:, 1] - made[:, 0]), grid)
    settled = np.zeros(len(gain), bool)
    slope = np.ones_like(gain)
    for _ in range(_STEPS):
        made, jacobian = _model(setup, gain, other, 0.0, fwhm_pct)
        slope = jacobian[:, 1, 0] - jacobian[:, 0, 0]
        miss = difference - (made[:, 1] - made[:, 0])
        settled = np.abs(miss) < _CONVERGED
        if settled.all():
            break
        step = np.clip(miss / np.where(np.abs(slope) > 1e-9, slope, 1e-9), -0.02, 0.02)
        gain = np.clip(gain + np.where(settled, 0.0, step), *_GAIN_RANGE)
    return gain, slope, settled & (gain > _GAIN_RANGE[0]) & (gain < _GAIN_RANGE[1])


def _log_ratios(counts: ThreeCounts) -> tuple[Floats, Floats, Bools]:
    """Log ratios y (rows, 2), their covariance (rows, 2, 2), and where all three are above zero."""
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
    floor = 1e-9 * float(setup.intensity.sum())     # keeps the logarithm of an empty window finite
    levels, slopes = [], []
    for offset in (-setup.offset_kev, 0.0, setup.offset_kev):
        total, by_gain, by_width = setup.seen(gain, fwhm, offset)
        by_other = by_width + scatter * unit_by_width if with_width else unit
        level = np.maximum(total + flat, floor)
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
