"""Where the charts beside the response's level signal, and what a lone check may not do: shared by charts and price.

Apart from the charts, so that the price of a budget is told without reading the whole line in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FAR = 4.0  # standard deviations from the local level that ask for a repeat
WINDOW_REFERENCE = 2  # window checks are half a year apart: the first two are the reference
VARIANCE_RATIO = 2.5  # of the scatter that is watched for
RATE_SOUND, RATE_FAULTY = 0.01, 0.20  # of lone outliers
MAD_EFFICIENCY = 0.37  # of the median absolute deviation for normal data, so its degrees of freedom count that much
PRIOR_FREEDOM = 6.0  # readings the prior spread counts for


@dataclass(frozen=True)
class SpreadThresholds:
    """Where the charts of scatter signal, per row."""

    scatter: Floats  # of the sum of z² − k
    outliers: Floats  # of the sum that counts lone outliers, nats
    nats: Floats  # of too little scatter, and of the repeats


def spread_thresholds(arl0: Floats) -> SpreadThresholds:
    """Thresholds for a run length in control, in checks.

    In nats the threshold of scatter grows with ln(ARL0); 3.8 nats stand for 1000 checks (methods, scatter: h = 14.544 at
    k = 1.4597).
    """
    slope = 0.5 * (1.0 - 1.0 / VARIANCE_RATIO)  # nats per unit of S
    scatter = np.maximum(5.5 + np.log(arl0 / 1000.0), 3.0) / slope
    hit = np.log(RATE_FAULTY / RATE_SOUND)
    return SpreadThresholds(scatter, np.maximum(np.log(arl0) - 2.0, 1.5 * hit), np.log(arl0) + 2.5)


def freedom_of(reference_readings: Ints) -> Floats:
    """Degrees of freedom of the spread that is known from so many readings and the prior."""
    return np.asarray(PRIOR_FREEDOM + MAD_EFFICIENCY * np.maximum(reference_readings - 1.0, 0.0))


def t_limit(arl0: Floats, freedom: Floats, sides: int) -> Floats:
    """Limit of z, one- or two-sided, that a sound unit passes once in ``arl0`` readings: a quantile of Student's t.

    >>> t_limit(np.array([370.4]), np.array([1e9]), 2).round(3)
    array([3.])
    """
    from scipy.special import stdtrit  # Student's t quantile, without the second that scipy.stats takes to import

    rate = 1.0 / np.maximum(arl0, 2.0)
    return np.asarray(-stdtrit(np.maximum(freedom, 2.0), np.broadcast_to(rate, freedom.shape) / sides))
