"""Three counts below, on and above the photopeak as two log ratios, those the model makes, and steps between the two.

Amplitude, gain, line width and scatter are four unknowns and there are three counts, so either the scatter or the width
has to be known. The likelihood is then greatest where the model meets all three counts. The amplitude cancels in
y₋ = ln(n₋/n₀), y₊ = ln(n₊/n₀); Newton's method solves both, all checks at once. The covariance of the two unknowns is
J⁻¹ V J⁻ᵀ with V that of (y₋, y₊): counting alone, for the three counts share one positioning.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.counting.arrays import Bools, Floats
from analytics.counting.line_model import WindowSetup

GAIN_RANGE = (0.70, 1.30)
FWHM_RANGE = (0.01, 0.80)
LARGEST_SHIFT_SD_PCT = 10.0     # a shift known no better than this says nothing
CONVERGED = 1e-9
STEPS = 40
_LARGEST_RELATIVE_SD = 0.5      # of each net count; beyond, its logarithm is no normal variable


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


def log_ratios(counts: ThreeCounts) -> tuple[Floats, Floats, Bools]:
    """Log ratios y (rows, 2), their covariance (rows, 2, 2), and where all three counts are well above zero."""
    usable = np.ones(len(counts.centre), bool)
    for rate, rate_var in (
        (counts.below, counts.below_var), (counts.centre, counts.centre_var), (counts.above, counts.above_var)):
        with np.errstate(invalid="ignore"):
            usable &= (rate > 0) & (rate_var <= (_LARGEST_RELATIVE_SD * rate) ** 2)
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
    return y, np.where(usable[:, None, None], variance, np.eye(2)), usable


def model_ratios(
    setup: WindowSetup, gain: Floats, other: Floats, scatter: float, fwhm_pct: Floats | None,
) -> tuple[Floats, Floats]:
    """Log ratios (rows, 2) the model makes, and their derivatives by (gain, other) (rows, 2, 2).

    ``other`` is ln FWHM with the scatter given, or, where ``fwhm_pct`` is given, the scatter.
    """
    with_width = fwhm_pct is None
    fwhm = np.exp(other) if fwhm_pct is None else fwhm_pct / 100.0
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


def newton(
    setup: WindowSetup, y: Floats, gain: Floats, other: Floats, scatter: float, fwhm_pct: Floats | None,
) -> tuple[Floats, Floats, Bools]:
    """(gain, other) that meet y, from a start near by, with bounded steps; and where they do, inside the bounds."""
    gain, other = gain.copy(), other.copy()
    met = np.zeros(len(y), bool)
    bounds = np.log(FWHM_RANGE) if fwhm_pct is None else np.array([-0.5, 20.0])
    active = np.arange(len(y))
    for _ in range(STEPS):
        if len(active) == 0:
            break
        width = None if fwhm_pct is None else fwhm_pct[active]
        made, jacobian = model_ratios(setup, gain[active], other[active], scatter, width)
        miss = y[active] - made
        step, regular = solve_two(jacobian, miss)
        step /= np.maximum((np.abs(step) / np.array([0.03, 0.3])).max(axis=1), 1.0)[:, None]
        done = regular & (np.abs(miss).max(axis=1) < CONVERGED)
        move = ~done
        gain[active[move]] = np.clip(gain[active[move]] + step[move, 0], *GAIN_RANGE)
        other[active[move]] = np.clip(other[active[move]] + step[move, 1], *bounds)
        met[active[done]] = True
        active = active[move & regular]
    inside = (gain > GAIN_RANGE[0]) & (gain < GAIN_RANGE[1]) & (other > bounds[0]) & (other < bounds[1])
    return gain, other, met & inside


def rising_branch(difference: Floats) -> Floats:
    """The part of ln(n₊/n₋) that rises with the gain, from its lowest to its highest value; NaN on either side of it.

    difference: on a rising grid of gains. Far from the photopeak the windows see scatter alone and the ratio falls back
    to nothing; only where the peak slides through the windows does it tell the gain.
    """
    low, high = int(np.argmin(difference)), int(np.argmax(difference))
    out = np.full(len(difference), np.nan)
    if low < high:
        # a hair of slope, so that interpolation never meets two equal places
        hair = 1e-12 * np.arange(high - low + 1)
        out[low:high + 1] = np.maximum.accumulate(difference[low:high + 1]) + hair
    return out


def solve_two(matrix: Floats, right: Floats) -> tuple[Floats, Bools]:
    """Solutions of 2 × 2 systems; False and a zero step where one is singular."""
    determinant = matrix[:, 0, 0] * matrix[:, 1, 1] - matrix[:, 0, 1] * matrix[:, 1, 0]
    size = np.abs(matrix).max(axis=(1, 2))
    regular = np.isfinite(determinant) & (np.abs(determinant) > 1e-12 * size**2) & (size > 0)
    safe = np.where(regular, determinant, 1.0)
    first = (matrix[:, 1, 1] * right[:, 0] - matrix[:, 0, 1] * right[:, 1]) / safe
    second = (matrix[:, 0, 0] * right[:, 1] - matrix[:, 1, 0] * right[:, 0]) / safe
    return np.where(regular[:, None], np.stack((first, second), axis=-1), 0.0), regular


def standard_deviations(jacobian: Floats, variance: Floats) -> tuple[Floats, Bools]:
    """Square roots of the diagonal of J⁻¹ V J⁻ᵀ (rows, 2), row by row: no matrix product across checks."""
    first, regular = solve_two(jacobian, variance[:, :, 0])
    second, _ = solve_two(jacobian, variance[:, :, 1])
    left, _ = solve_two(jacobian, np.stack((first[:, 0], second[:, 0]), axis=-1))
    right, _ = solve_two(jacobian, np.stack((first[:, 1], second[:, 1]), axis=-1))
    return np.sqrt(np.maximum(np.stack((left[:, 0], right[:, 1]), axis=-1), 0.0)), regular


def shift_pct(setup: WindowSetup, gain: Floats) -> Floats:
    """Photopeak against window centre, (E·u − centre)/E, in per cent of the photopeak energy E."""
    return 100.0 * (gain - setup.centre_kev / setup.photopeak_kev)


def where_known(values: Floats, good: Bools) -> Floats:
    """The values, NaN where they are not good."""
    return np.where(good, values, np.nan)
