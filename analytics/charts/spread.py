"""Has the scatter of a series grown beyond counting and placing, and do lone outliers come too often?

Scatter: S = max(0, S + z² − k), z clipped so that one blunder cannot signal alone. z is the smaller of the residuals from
the local level and from the check before, so that neither a step nor a steep drift looks like scatter.
k = r·ln r/(r − 1) for a variance ratio r (the likelihood-ratio CUSUM of a normal variance); r = 2.1 gives k ≈ 1.42.
Too little scatter is a fault as well (a pulser, a frozen display): the same chart for a variance ratio below one.
Repeats of one placing: the likelihood-ratio CUSUM of their chi-square, for twice and for a third of the Poisson variance.
Outliers: a Bernoulli CUSUM for a rate of 20 % against 1 %; beside it one for low ones alone, against 0.5 %, since a cable that
cuts out only ever loses counts, and half of the blunders do not.
Once the checks are calm again, the sums that had signalled begin anew: one that was far over its threshold would come down
through it for years, and call out again at checks that scatter as they should.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Rows
from analytics.charts.thresholds import RATE_FAULTY, RATE_SOUND, VARIANCE_RATIO, spread_thresholds
from analytics.compiled import compiled

LOW_RATE_SOUND = 0.005  # of lone outliers below their neighbours

CLIP_Z = 3.0
LOW_RATIO = 0.2  # variance ratio of a series that scatters too little
REPEATS_HIGH, REPEATS_LOW = 2.0, 0.33  # variance ratios of repeats
# E[min(z₁², z₂²)] for z₁ against the median of five and z₂ against the check before, clean normal data (simulated, 10⁶ draws).
SMALLER_MEAN_SQUARE = 0.5980


@dataclass(frozen=True)
class SpreadChart:
    """Arrays per row; a ratio above 1 signals."""

    ratio_scatter: Floats
    ratio_outliers: Floats
    ratio_low: Floats  # scatter too low
    ratio_repeats: Floats  # chi-square of repeats too high or too low
    outliers: Floats  # lone or unconfirmed outliers of the unit so far
    calm: Bools  # the newest twelve checks scatter as they should, none far off
    extra_pct: Floats  # spread beyond counting and placing over the last twelve checks, per cent


def reset_cusum(step: Floats) -> Floats:
    """S_i = max(0, S_{i−1} + step_i) along axis 1, as C_i − min(0, min_{j≤i} C_j).

    >>> reset_cusum(np.array([[1.0, -3.0, 2.0]])).tolist()
    [[1.0, 0.0, 2.0]]
    """
    total = np.cumsum(step, axis=1)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total, axis=1), 0.0))


def spread_chart(
    rows: Rows,
    x: Floats,
    z_local: Floats,
    noise: Floats,
    far: Bools,
    placing_uncertainty: Floats,
    arl0: Floats,
    chi_square: Floats,
    chi_square_dof: Floats,
    counting: Floats | None = None,
) -> SpreadChart:
    """Run both charts over all units.

    z_local: residual from the local level, standardised. far: beyond the outlier limit and not confirmed at its moment.
    counting: variance by counting alone, below which nothing sound scatters however well it is placed (default: noise).
    placing_uncertainty: relative standard error of the variance per row (its own uncertainty lowers z²).
    """
    known = np.isfinite(z_local)
    z_step = _from_previous(rows, x, noise)
    smaller = np.where(known, np.fmin(np.abs(z_local), np.abs(z_step)), 0.0)
    z = np.minimum(smaller / np.sqrt(SMALLER_MEAN_SQUARE), CLIP_Z)
    r = VARIANCE_RATIO
    k = r * np.log(r) / (r - 1.0)
    # Variance not better known than its standard error: judge against the upper end.
    square = z**2 / (1.0 + placing_uncertainty)
    at = spread_thresholds(arl0)
    excess = np.where(known, np.minimum(smaller**2 / SMALLER_MEAN_SQUARE, 400.0) - 1.0, 0.0) * noise
    recent, lone, extra = _recent_means(rows, known, z**2, far.astype(float), excess)
    calm = (recent < 1.3) & (lone == 0.0)
    statistic = _walk_until_calm(rows, np.where(known, square - k, 0.0), at.scatter, calm)
    rate = np.maximum(*(
        _walk_until_calm(rows, np.where(known, _rate_llr(off, sound), 0.0), at.outliers, calm)
        for off, sound in ((far, RATE_SOUND), (far & (z_local < 0), LOW_RATE_SOUND))
    ))
    # Little scatter: z² against the level without the smaller-of-two rule, and against counting alone: a good jig is no fault.
    alone = noise if counting is None else np.maximum(counting, 1e-12)
    plain = np.where(known, np.minimum(np.abs(z_local) * np.sqrt(noise / alone), CLIP_Z), 1.0) ** 2 * (1.0 + placing_uncertainty)
    low = _walk(rows, np.where(known, _variance_llr(plain, 1.0, LOW_RATIO), 0.0)) / at.nats
    some = chi_square_dof > 0
    chi = np.where(some, np.nan_to_num(chi_square), 0.0)
    repeats = (
        np.maximum(
            *(
                _walk(
                    rows,
                    np.where(some, _variance_llr(np.minimum(chi, 4.0 * chi_square_dof + 8.0), chi_square_dof, r), 0.0),
                )
                for r in (REPEATS_HIGH, REPEATS_LOW)
            )
        )
        / at.nats
    )
    return SpreadChart(
        statistic / at.scatter,
        rate / at.outliers,
        low,
        repeats,
        _walk(rows, np.where(far & known, 1.0, 0.0)),
        calm,
        100.0 * np.sqrt(np.maximum(extra, 0.0)),
    )


def _variance_llr(square: Floats, freedom: Floats | float, ratio: float) -> Floats:
    """Ln of the likelihood ratio of a variance ``ratio`` times as large, for a sum of squares with its degrees of freedom."""
    return np.asarray(-0.5 * freedom * np.log(ratio) - 0.5 * square * (1.0 / ratio - 1.0))


def _rate_llr(far: Bools, sound: float) -> Floats:
    """Ln of the likelihood ratio of ``RATE_FAULTY`` against a sound rate of far checks."""
    hit, miss = np.log(RATE_FAULTY / sound), np.log((1.0 - RATE_FAULTY) / (1.0 - sound))
    return np.asarray(np.where(far, hit, miss))


def _walk_until_calm(rows: Rows, step: Floats, limit: Floats, calm: Bools) -> Floats:
    """As ``_walk``, but a sum that has passed its limit begins anew after the first check that ends calm."""
    last = rows.last_rows
    most = int(rows.ordinal.max(initial=-1)) + 1
    if not most:
        return step
    place = (rows.ordinal[last], rows.unit[last])
    steps, limits, ends = np.zeros((most, rows.units)), np.full((most, rows.units), np.inf), np.zeros((most, rows.units), bool)
    steps[place], limits[place], ends[place] = step[last], limit[last], calm[last]
    kept = _until_calm(steps, limits, ends)
    before = np.where(rows.ordinal > 0, kept[np.maximum(rows.ordinal - 1, 0), rows.unit], 0.0)
    return np.asarray(np.maximum(before + step, 0.0))


@compiled
def _until_calm(steps: Floats, limits: Floats, ends: Bools) -> Floats:
    """The sums after every check, [checks, units]."""
    kept = np.zeros(steps.shape)
    total, over = np.zeros(steps.shape[1]), np.zeros(steps.shape[1], np.bool_)
    for check in range(steps.shape[0]):
        for unit in range(steps.shape[1]):
            total[unit] = np.maximum(total[unit] + steps[check, unit], 0.0)
            over[unit] |= total[unit] > limits[check, unit]
            if over[unit] and ends[check, unit]:
                total[unit], over[unit] = 0.0, False
            kept[check, unit] = total[unit]
    return kept


def _walk(rows: Rows, step: Floats) -> Floats:
    """The reset CUSUM over the checks of each unit; a row that is not the last of its check is a try from the check before."""
    last = rows.last_rows
    most = int(rows.ordinal.max(initial=-1)) + 1
    steps = np.zeros((rows.units, most))
    steps[rows.unit[last], rows.ordinal[last]] = step[last]
    walked = reset_cusum(steps)
    before = np.where(rows.ordinal > 0, walked[rows.unit, np.maximum(rows.ordinal - 1, 0)], 0.0) if most else step
    return np.asarray(np.maximum(before + step, 0.0))


def _recent_means(rows: Rows, known: Bools, *values: Floats, window: int = 12) -> list[Floats]:
    """Means of what is known over the last twelve checks of the unit, per row (the last row of each check serves for all its rows)."""
    last = rows.last_rows
    most = int(rows.ordinal.max(initial=-1)) + 1
    end, begin = (rows.unit, rows.ordinal + 1), (rows.unit, np.maximum(rows.ordinal + 1 - window, 0))

    def inside(value: Floats) -> Floats:
        total = np.zeros((rows.units, most + 1))
        total[rows.unit[last], rows.ordinal[last] + 1] = np.where(known, value, 0.0)[last]
        np.cumsum(total, axis=1, out=total)
        return np.asarray(total[end] - total[begin])

    number = np.maximum(inside(np.ones(len(known))), 1.0)
    return [inside(one) / number for one in values]


def _from_previous(rows: Rows, x: Floats, noise: Floats) -> Floats:
    """Residual of each row against the last row of the check before, standardised; NaN for the first check of a unit."""
    last = rows.last_rows
    before = last[np.maximum(rows.number - 1, 0)] if len(last) else last
    z = (x - x[before]) / np.sqrt(noise + noise[before]) if len(last) else x
    return np.asarray(np.where(rows.ordinal > 0, z, np.nan))
