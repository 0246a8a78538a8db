"""The inverse: which threshold gives a wanted mean run length in control."""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy.special import ndtri

from analytics.charts.run_lengths.checked import between, one_of
from analytics.charts.run_lengths.cusum import OneSided, TwoSided
from analytics.charts.run_lengths.ewma import Ewma
from analytics.charts.run_lengths.scatter import scatter_mean_run_length
from analytics.errors import UserError


def cusum_threshold(k: float, arl0: float, *, sides: int = 2, head_start_share: float = 0.0) -> float:
    """The h in sigma, for which the CUSUM's mean run length in control is ``arl0``.

    head_start_share: head start over h, 0 to 1. UserError where even h = 0 signals more rarely.

    >>> round(cusum_threshold(0.5, 1000), 5)
    5.75735
    """
    between("k", k, 0.0, 40.0)
    one_of("sides", sides, (1, 2))
    between("head start share", head_start_share, 0.0, 1.0)

    def length(h: float) -> float:
        if sides == 1:
            upper = OneSided(k, h, head_start_share * h)
            return upper.remaining(upper.start(), 0.0)
        both = TwoSided(k, h, head_start_share * h)
        return both.remaining(both.start(), 0.0)

    return _solve(length, arl0, low=0.0, first=1.0, most=300.0)


def likelihood_threshold_nats(k: float, arl0: float, *, sides: int = 2) -> float:
    """Threshold in nats of the likelihood-ratio CUSUM for a shift of 2k sigma: 2k·h, with h of ``cusum_threshold``.

    (d·y − d²/2)/v with d = 2kσ is 2k (x − k) in x = y/σ.

    >>> round(likelihood_threshold_nats(0.25, 1000), 2)
    4.97
    """
    return 2.0 * k * cusum_threshold(k, arl0, sides=sides)


def ewma_limit(weight: float, arl0: float, *, limits: str = "fixed") -> float:
    """The EWMA's limit in sigma of the EWMA, for which its mean run length in control is ``arl0``.

    >>> round(ewma_limit(0.1, 1000), 5)
    3.05857
    """
    between("weight", weight, 0.001, 1.0)
    one_of("limits", limits, ("fixed", "varying"))

    def length(limit: float) -> float:
        chart = Ewma(weight, limit, limits == "varying", 0.0)
        return chart.remaining(chart.start(), 0.0)

    return _solve(length, arl0, low=1e-3, first=2.0, most=12.0)


def shewhart_limit(arl0: float) -> float:
    """Limit in sigma of the two-sided Shewhart chart without runs rules.

    >>> round(shewhart_limit(1000), 3)
    3.291
    """
    between("mean run length", arl0, 1.0, 1e15)
    return float(-ndtri(0.5 / arl0))


def scatter_threshold(k: float, arl0: float, *, clip: float | None = None) -> float:
    """Threshold of the scatter CUSUM, for which its mean run length in control is ``arl0``.

    >>> round(scatter_threshold(1.4597, 1000), 3)
    14.544
    """
    if clip is not None and clip * clip <= k:
        raise UserError(f"clip {clip:g} squared is not above k = {k:g}: the chart could never signal", where="clip")
    return _solve(lambda h: scatter_mean_run_length(k, h, clip=clip), arl0, low=0.05, first=5.0, most=1000.0)


def _solve(length: Callable[[float], float], arl0: float, *, low: float, first: float, most: float) -> float:
    """The threshold by bracketing and root finding on the logarithm of the mean run length."""
    from scipy.optimize import brentq

    between("mean run length", arl0, 1.0, 1e12)
    target = math.log(arl0)

    def excess(threshold: float) -> float:
        return math.log(length(threshold)) - target

    if excess(low) > 0.0:
        raise UserError(f"no threshold gives a mean run length as short as {arl0:g}: the least is {length(low):g}",
                        where="mean run length", do="Ask for a longer one.")
    high = first
    while excess(high) < 0.0:
        low, high = high, min(2.0 * high, most)
        if low == most:
            raise UserError(f"the mean run length {arl0:g} is out of reach of thresholds up to {most:g}",
                            where="mean run length")
    return float(brentq(excess, low, high, xtol=1e-12, rtol=1e-13))
