"""Shift of the photopeak in the window from three counts, the line width known: gain and scatter are fitted.

Where the counts ask for a scatter below zero, the likelihood is greatest near scatter 0 and the gain is read from n₊/n₋
there; both ways agree at the border, so no series jumps. A width taken wrongly by a tenth scales the shift by about a
tenth, at every check of the probe alike: it is the change against the probe's own reference that counts.

The parabola through the logarithms is only the limit of a window narrow against the peak, and is not used.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from analytics.counting.arrays import Bools, Floats
from analytics.counting.line_model import SetupKey, WindowSetup
from analytics.counting.three_counts import (
    CONVERGED,
    GAIN_RANGE,
    LARGEST_SHIFT_SD_PCT,
    STEPS,
    ThreeCounts,
    log_ratios,
    model_ratios,
    newton,
    rising_branch,
    shift_pct,
    standard_deviations,
    where_known,
)

START_FWHM_PCT = 10.0  # a fixed width to start from, so that no check's last digit depends on the others
_START_GAINS = np.linspace(0.80, 1.20, 41)
_START_SCATTERS = np.array([0.0, 0.05, 0.15, 0.4, 1.0])


@dataclass(frozen=True)
class ShiftFit:
    """One row a check; NaN where not ``identified``. Standard deviations are of counting alone."""

    shift_pct: Floats     # (photopeak − window centre) in % of the photopeak energy
    shift_sd: Floats
    scatter: Floats       # flat part over the lines' part of the centred window at gain 1; 0 at the border
    scatter_sd: Floats    # NaN at the border
    identified: Bools


def fit_shift(setup: WindowSetup, counts: ThreeCounts, fwhm_pct: Floats | float) -> ShiftFit:
    """Gain and scatter of all checks, the line width known: one for all or one each (FWHM, % of the energy).

    Not identified, hence NaN: a net count not twice its standard deviation, a gain beyond 0.7–1.3, or a shift with a
    standard deviation above 10 %.
    """
    y, variance, usable = log_ratios(counts)
    fwhm = np.broadcast_to(np.asarray(fwhm_pct, np.float64), usable.shape)
    gain, scatter, met = np.ones(len(y)), np.zeros(len(y)), np.zeros(len(y), bool)
    rows = np.flatnonzero(usable)
    start = _start(setup, y[rows])
    gain[rows], scatter[rows], met[rows] = newton(setup, y[rows], *start, 0.0, fwhm[rows])
    sd, regular = standard_deviations(model_ratios(setup, gain, scatter, 0.0, fwhm)[1], variance)

    inside = met & regular & (scatter >= 0.0)
    border = np.flatnonzero(usable & ~inside)
    at_border = np.zeros(len(y), bool)
    if len(border):
        spread = variance[border, 0, 0] + variance[border, 1, 1] - 2.0 * variance[border, 0, 1]
        gain[border], slope, at_border[border] = _gain_at_border(setup, y[border, 1] - y[border, 0], fwhm[border])
        sd[border, 0] = np.sqrt(np.maximum(spread, 0.0)) / np.maximum(np.abs(slope), 1e-12)
        scatter[border], sd[border, 1] = 0.0, np.nan
    good = usable & (inside | at_border) & (100.0 * sd[:, 0] < LARGEST_SHIFT_SD_PCT)
    return ShiftFit(
        where_known(shift_pct(setup, gain), good), where_known(100.0 * sd[:, 0], good), where_known(scatter, good),
        where_known(sd[:, 1], good), good)


def _start(setup: WindowSetup, y: Floats) -> tuple[Floats, Floats]:
    """(gain, scatter) of a coarse grid that come nearest, at a usual width: Newton finds the solution next to it."""
    if len(y) == 0:
        return np.empty(0), np.empty(0)
    u, v, made = _starts(setup.key)
    best, nearest = np.zeros(len(y), np.int64), np.full(len(y), np.inf)
    for number, ratios in enumerate(made):
        distance = ((y - ratios) ** 2).sum(axis=1)
        better = distance < nearest
        best[better], nearest[better] = number, distance[better]
    return u[best], v[best]


@lru_cache(maxsize=64)
def _starts(key: SetupKey) -> tuple[Floats, Floats, Floats]:
    """Gains and scatters of the coarse grid, and the log ratios that they make."""
    u, v = (one.ravel() for one in np.meshgrid(_START_GAINS, _START_SCATTERS))
    return u, v, model_ratios(WindowSetup.of_key(key), u, v, 0.0, np.full_like(u, START_FWHM_PCT))[0]


@lru_cache(maxsize=64)
def _border(key: SetupKey) -> tuple[Floats, Floats]:
    """Gains, and the rising branch of ln(n₊/n₋) without scatter at a usual width."""
    grid = np.linspace(*GAIN_RANGE, 241)
    made = model_ratios(WindowSetup.of_key(key), grid, np.zeros_like(grid), 0.0, np.full_like(grid, START_FWHM_PCT))[0]
    return grid, rising_branch(made[:, 1] - made[:, 0])


def _gain_at_border(setup: WindowSetup, difference: Floats, fwhm_pct: Floats) -> tuple[Floats, Floats, Bools]:
    """Gain at which ln(n₊/n₋) without scatter is ``difference``, the slope there, and where the steps settled."""
    none = np.zeros_like(difference)
    grid, branch = _border(setup.key)
    on = ~np.isnan(branch)
    if not on.any():
        return np.ones_like(difference), np.ones_like(difference), np.zeros(len(difference), bool)
    gain = np.interp(difference, branch[on], grid[on])
    settled = np.zeros(len(gain), bool)
    slope = np.ones_like(gain)
    for _ in range(STEPS):
        made, jacobian = model_ratios(setup, gain, none, 0.0, fwhm_pct)
        slope = jacobian[:, 1, 0] - jacobian[:, 0, 0]
        miss = difference - (made[:, 1] - made[:, 0])
        settled = np.abs(miss) < CONVERGED
        if settled.all():
            break
        step = np.clip(miss / np.where(np.abs(slope) > 1e-9, slope, 1e-9), -0.02, 0.02)
        gain = np.clip(gain + np.where(settled, 0.0, step), *GAIN_RANGE)
    return gain, slope, settled & (gain > GAIN_RANGE[0]) & (gain < GAIN_RANGE[1])
