"""Line width from three counts, the scatter known; only where no other width would do as well.

Narrow lines look alike: with an offset of half the window n₋/n₀ is ½ whatever the width. And with a second line a wide
line and a narrow one can make the very same three counts. So all widths are looked at. At each the gain is the one
that meets ln(n₊/n₋), and what is left of y₋ + y₊ is held against its own standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from analytics.counting.arrays import Bools, Floats
from analytics.counting.line_model import SetupKey, WindowSetup
from analytics.counting.three_counts import (
    FWHM_RANGE,
    GAIN_RANGE,
    LARGEST_SHIFT_SD_PCT,
    ThreeCounts,
    log_ratios,
    model_ratios,
    newton,
    rising_branch,
    shift_pct,
    standard_deviations,
    where_known,
)

_GAINS = np.linspace(*GAIN_RANGE, 241)
_LOG_WIDTHS = np.log(np.geomspace(0.015, 0.75, 60))
_OTHER = np.log(1.5)      # widths further apart than this factor are different answers
_EXCLUDED = 3.0           # standard deviations


@dataclass(frozen=True)
class WidthFit:
    """One row a check; NaN where not ``identified``. Standard deviations are of counting alone."""

    shift_pct: Floats
    shift_sd: Floats
    width_pct: Floats     # FWHM in % of energy
    width_sd: Floats
    identified: Bools


def fit_width(
    setup: WindowSetup, counts: ThreeCounts, scatter: float = 0.0, *, narrowest_pct: Floats | float = 1.0,
) -> WidthFit:
    """Gain and line width of all checks, the scatter known (flat part over the lines' part at gain 1).

    narrowest_pct: the narrowest line such a detector can have, for all or for each; narrower ones are not considered.

    Not identified, hence NaN: a net count not twice its standard deviation; three counts no line of the model makes; a
    solution at the edge of what is sensible (gain 0.7–1.3, width 1.5–75 %); counts that another width, by a factor of
    1.5 and more, would explain within 3 standard deviations.
    """
    y, variance, usable = log_ratios(counts)
    narrowest = np.log(np.broadcast_to(np.asarray(narrowest_pct, np.float64), usable.shape) / 100.0)
    start_gain, start_width, only = _scan(setup, y, variance, scatter, narrowest)
    rows = np.flatnonzero(usable & only)
    gain, log_width, met = np.ones(len(y)), np.full(len(y), np.log(FWHM_RANGE[1])), np.zeros(len(y), bool)
    gain[rows], log_width[rows], met[rows] = newton(setup, y[rows], start_gain[rows], start_width[rows], scatter, None)
    sd, regular = standard_deviations(model_ratios(setup, gain, log_width, scatter, None)[1], variance)
    found = np.abs(log_width - start_width) < _OTHER
    good = usable & only & met & found & regular & (100.0 * sd[:, 0] < LARGEST_SHIFT_SD_PCT)
    width = 100.0 * np.exp(log_width)
    return WidthFit(
        where_known(shift_pct(setup, gain), good), where_known(100.0 * sd[:, 0], good), where_known(width, good),
        where_known(width * sd[:, 1], good), good)


@lru_cache(maxsize=16)  # some 350 kB each
def _made(key: SetupKey, scatter: float) -> tuple[Floats, Floats, Floats]:
    """What a line makes at every width and gain of the scan: rising branch of ln(n₊/n₋), y₋ + y₊, slope of that by ln(n₊/n₋)."""
    shape = (len(_LOG_WIDTHS), len(_GAINS))
    every_gain, every_width = np.tile(_GAINS, shape[0]), np.repeat(_LOG_WIDTHS, shape[1])
    made, jacobian = model_ratios(WindowSetup.of_key(key), every_gain, every_width, scatter, None)
    differences = (made[:, 1] - made[:, 0]).reshape(shape)
    fall, rise = jacobian[:, 0, 0], jacobian[:, 1, 0]     # n₋/n₀ falls with the gain and n₊/n₀ rises
    steep = np.clip((rise + fall) / np.maximum(rise - fall, 1e-6), -1.0, 1.0).reshape(shape)
    return np.stack([rising_branch(one) for one in differences]), (made[:, 0] + made[:, 1]).reshape(shape), steep


def _scan(
    setup: WindowSetup, y: Floats, variance: Floats, scatter: float, narrowest: Floats,
) -> tuple[Floats, Floats, Bools]:
    """(gain, ln width) where the sum of the ratios is met, and where that is the only width that will do."""
    difference, total = y[:, 1] - y[:, 0], y[:, 0] + y[:, 1]
    var_total = variance[:, 0, 0] + variance[:, 1, 1] + 2.0 * variance[:, 0, 1]
    var_difference = variance[:, 0, 0] + variance[:, 1, 1] - 2.0 * variance[:, 0, 1]
    shared = variance[:, 1, 1] - variance[:, 0, 0]
    rows = len(y)
    gains, left, possible = (np.empty((len(_LOG_WIDTHS), rows)) for _ in range(3))
    branches, sums, steep = _made(setup.key, scatter)
    for number, branch in enumerate(branches):
        on = ~np.isnan(branch)
        if not on.any():
            gains[number], left[number], possible[number] = 1.0, np.nan, False
            continue
        gains[number] = np.interp(difference, branch[on], _GAINS[on], left=np.nan, right=np.nan)
        slope = np.interp(gains[number], _GAINS, steep[number])
        left[number] = total - np.interp(gains[number], _GAINS, sums[number])
        sd = np.sqrt(np.maximum(var_total - 2.0 * slope * shared + slope**2 * var_difference, 0.0))
        possible[number] = np.abs(left[number]) <= _EXCLUDED * sd
    allowed = _LOG_WIDTHS[:, None] >= narrowest[None, :]
    # Where a width cannot meet n₊/n₋ at all, ``left`` is NaN: neither a crossing nor a rival.
    crossing = (left[1:] * left[:-1] <= 0.0) & allowed[1:]
    unique = crossing.sum(axis=0) == 1
    at = np.argmax(crossing, axis=0)
    row = np.arange(rows)
    low, high = left[at, row], left[at + 1, row]
    share = np.where(high != low, low / np.where(high != low, low - high, 1.0), 0.5)
    width = _LOG_WIDTHS[at] + share * (_LOG_WIDTHS[1] - _LOG_WIDTHS[0])
    gain = gains[at, row] + share * (gains[at + 1, row] - gains[at, row])
    far = np.abs(_LOG_WIDTHS[:, None] - width[None, :]) > _OTHER
    rivals = (possible.astype(bool) & allowed & far).any(axis=0)
    return gain, width, unique & ~rivals
