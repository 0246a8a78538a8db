"""Robust centre of a few values with known variances, for many groups at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analytics.baseline.heard_core import centres

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Centre:
    """Arrays of length groups."""

    value: Floats
    variance: Floats  # of the centre, widened by the spread actually seen
    members: Floats  # effective number of values that speak


def median0(values: Floats) -> Floats:
    """Median over axis 0 of the finite values; NaN where there is none."""
    ordered = np.sort(values, axis=0)  # NaN last
    n = np.isfinite(values).sum(axis=0)
    column = np.arange(values.shape[1])
    low, high = ordered[np.maximum((n - 1) // 2, 0), column], ordered[np.minimum(n // 2, len(values) - 1), column]
    return np.where(n > 0, 0.5 * (low + high), np.nan)


def robust_centre(values: Floats, variances: Floats) -> Centre:
    """Biweight centre of ``values[:, group]`` with variances of the same shape; NaN marks an empty place.

    Starts at the median; five steps with Tukey's weights (1 − (r/c)²)², r standardised by the stated standard deviation, or by
    the spread seen (median absolute deviation) where that is larger. Two values, or values that disagree more than
    their variances allow, get a variance widened by what is seen, so that a disagreement is never mistaken for knowledge.
    More than three values of which some were rejected on one side: they may be right and those that were kept wrong.
    With a kept, b rejected there and p = 0.1 for one value to have moved, the odds of that are (p/(1 − p))^(a − b), and
    so much of the squared gap is added: five against four far off is no knowledge, nine against one is.
    No value: NaN, infinite variance. One value: itself with its variance.

    >>> c = robust_centre(np.array([[1.0], [1.1], [0.9], [9.0]]), np.full((4, 1), 0.01))
    >>> bool(abs(c.value[0] - 1.0) < 0.02)
    True
    """
    return Centre(*centres(np.ascontiguousarray(values.T, np.float64), np.ascontiguousarray(variances.T, np.float64)))
