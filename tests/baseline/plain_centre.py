"""The robust centre worked out over whole arrays: an independent route to what the compiled loops say."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analytics.baseline.location import Centre, median0

Floats = npt.NDArray[np.float64]
PRIOR_MOVED, TUKEY_C = 0.1, 4.685


def _sum0(values: Floats) -> Floats:
    """Sum over axis 0, row after row, so that empty rows at the end do not change the last digit."""
    out = np.zeros(values.shape[1])
    for row in values:
        out = out + row
    return out


def _other_side(values: Floats, centre: Floats, residual: Floats) -> Floats:
    """Variance for that those rejected on one side might be right: P(they are) · gap², the larger of the two sides."""
    kept = np.abs(residual) < TUKEY_C
    stay = kept.sum(axis=0)
    out = np.zeros(values.shape[1])
    for side in (-1.0, 1.0):
        away = ~kept & (side * (values - centre) > 0)  # NaN compares false
        many = away.sum(axis=0)
        gap = _sum0(np.where(away, side * (values - centre), 0.0)) / np.maximum(many, 1)
        odds = ((1.0 - PRIOR_MOVED) / PRIOR_MOVED) ** np.clip(stay - many, -20, 20).astype(float)
        out = np.maximum(out, np.where(many > 0, gap**2 / (1.0 + odds), 0.0))
    return out


def robust_centre(values: Floats, variances: Floats, *, steps: int = 5) -> Centre:
    """As ``location.robust_centre``, over whole arrays."""
    if values.shape[0] == 0:
        empty = np.full(values.shape[1], np.nan)
        return Centre(empty, np.full(values.shape[1], np.inf), np.zeros(values.shape[1]))
    known = np.isfinite(values) & np.isfinite(variances)
    x = np.where(known, values, np.nan)
    centre = median0(x)
    typical = np.sqrt(median0(np.where(known, variances, np.nan)))
    spread = 1.4826 * median0(np.abs(x - centre))
    few = known.sum(axis=0) <= 3
    extra = np.where(few, 0.0, np.maximum(spread**2 - typical**2, 0.0))
    # Weights by variance, but none more than four times the typical one: a neighbour with thousands of counts is
    # still one probe that may drift.
    precision = np.where(known, 1.0 / np.maximum(variances + extra, 0.25 * typical**2), 0.0)
    weight = precision
    residual = np.zeros_like(x)
    for _ in range(steps):
        residual = np.where(known, (x - centre) / np.sqrt(np.maximum(variances + extra, 1e-18)), np.inf)
        tukey = np.where(np.abs(residual) < TUKEY_C, (1.0 - (residual / TUKEY_C) ** 2) ** 2, 0.0)
        weight = precision * np.where(known, tukey, 0.0)
        total = _sum0(weight)
        safe = np.where(total > 0, total, 1.0)
        centre = np.where(total > 0, _sum0(weight * np.where(known, x, 0.0)) / safe, centre)
    # Values so far apart that none lies near the centre (two that disagree): the median, with the spread they show.
    weight = np.where(_sum0(weight) > 0, weight, precision)
    total = _sum0(weight)
    squares = _sum0(weight**2)
    members = np.where(squares > 0, total**2 / np.where(squares > 0, squares, 1.0), 0.0)
    safe = np.where(total > 0, total, np.nan)
    # Spread of all known values, rejected ones too: where half the neighbours disagree, nothing is known.
    n = known.sum(axis=0)
    seen = _sum0(precision * np.where(known, np.minimum(np.abs(x - centre), 10.0) ** 2, 0.0)) / np.where(
        n > 0, _sum0(precision), 1.0
    )
    between = np.where(n <= 3, seen, np.minimum(seen, (1.4826 * median0(np.abs(x - centre))) ** 2 * 2.0))
    stated = 1.0 / safe
    variance = np.where(n == 1, stated, np.maximum(stated, between / np.maximum(n - 1, 1)))
    variance = variance + np.where(n > 3, _other_side(x, centre, residual), 0.0)
    return Centre(np.where(n > 0, centre, np.nan), np.where(n > 0, variance, np.inf), members)
