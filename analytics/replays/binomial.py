"""The interval of a share, also where cases come in bunches."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def share_interval(hits: float, cases: float, confidence: float = 0.90) -> tuple[float, float]:
    """Clopper and Pearson's interval of a share (Biometrika 1934;26:404 [from memory]), which never covers too little.

    Ends are quantiles of beta distributions; hits and cases need not be whole. No case: 0 to 1.

    >>> tuple(round(one, 4) for one in share_interval(9, 10))
    (0.6058, 0.9949)
    >>> share_interval(0, 0)
    (0.0, 1.0)
    """
    from scipy.special import betaincinv

    if cases <= 0:
        return 0.0, 1.0
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if hits <= 0 else float(betaincinv(hits, cases - hits + 1.0, tail))
    high = 1.0 if hits >= cases else float(betaincinv(hits + 1.0, cases - hits, 1.0 - tail))
    return low, high


def effective_cases(hit: Sequence[bool], bunch: Sequence[int]) -> float:
    """How many independent cases say as much as these, which come in bunches.

    Cases over the design effect: the variance of the share by bunches (linearised ratio) over that of independent
    cases (Kish; Korn & Graubard 1998 put it into Clopper and Pearson's interval [from memory]); never more than the
    cases there are. Where all hit or all miss the variance says nothing, and the bunches are counted.

    >>> effective_cases([True, False, True, False], [1, 2, 3, 4])
    4.0
    >>> round(effective_cases([True, True, False, False], [1, 1, 2, 2]), 3)
    1.333
    >>> effective_cases([True, True, True], [1, 1, 2])
    2.0
    """
    n = len(hit)
    if n == 0:
        return 0.0
    values, number = np.asarray(hit, float), np.unique(np.asarray(bunch), return_inverse=True)[1]
    bunches = int(number.max()) + 1
    share = float(values.mean())
    if bunches == 1:
        return 1.0
    if share in (0.0, 1.0):
        return float(bunches)
    off = np.bincount(number, weights=values - share)
    variance = float((off**2).sum()) / n**2 * bunches / (bunches - 1)
    independent = share * (1.0 - share) / (n - 1)
    return float(n * min(independent / variance, 1.0)) if variance > 0 else float(n)
