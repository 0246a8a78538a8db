"""Regressions of many series at once, for ``companions``: stretches of checks side by side, a screening, and the robust fit.

Arrays are [checks, stretches], the checks in time from the top, so that sums run check by check and the answer for one
stretch does not depend on those beside it. Shorter stretches are filled up below with rows of weight 0.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints

CURVED_FROM = 20  # checks from which the course in time may bend
PADDING = 1.25  # longest over shortest of the stretches that stand side by side
BLUNDER_SHARE, BLUNDER_SD = 0.03, 0.25
ROUNDS = 12
SAME = 1e-13  # share of its squares beside the course below which a shape is the course itself


@dataclass(frozen=True)
class Stretches:
    """Logged checks of several series side by side."""

    rows: Ints  # [checks, stretches] rows of the charts; filled up with the last one
    there: Floats  # 1, and 0 where filled up
    count: Ints  # [stretches]

    def some(self, which: Bools) -> Stretches:
        """Those stretches only."""
        return Stretches(self.rows[:, which], self.there[:, which], self.count[which])


def stretches(use: Ints, first: Ints, count: Ints) -> Iterator[Stretches]:
    """Stretches ``use[first : first + count]`` in groups of like length; all of a group curved or none."""
    order = np.argsort(count, kind="stable")
    lengths = count[order]
    low = 0
    while low < len(order):
        longest = max(int(lengths[low] * PADDING), int(lengths[low]))
        if lengths[low] < CURVED_FROM:
            longest = min(longest, CURVED_FROM - 1)
        high = int(np.searchsorted(lengths, longest, side="right"))
        mine = order[low:high]
        place = np.arange(int(lengths[high - 1]))[:, None]
        yield Stretches(
            use[first[mine] + np.minimum(place, count[mine] - 1)], (place < count[mine]).astype(float), count[mine]
        )
        low = high


def course(at_days: Floats, count: Ints) -> Floats:
    """Columns of a smooth course in time, [checks, stretches, 2 or 3]: one, time from −1 to 1, its square."""
    span = np.maximum(np.ptp(at_days, axis=0), 1.0)
    u = 2.0 * (at_days - at_days[0]) / span - 1.0
    columns = [np.ones_like(u), u] + ([u**2] if len(count) and count.min() >= CURVED_FROM else [])
    return np.stack(columns, axis=-1)


def quantiles(values: Floats, there: Floats, count: Ints, *shares: float) -> list[Floats]:
    """Quantiles of each stretch, between its values by a straight line.

    >>> [q.tolist() for q in quantiles(np.array([[3.0], [1.0], [9.0]]), np.array([[1], [1], [0]]), np.array([2]), 0.0, 0.5)]
    [[1.0], [2.0]]
    """
    ordered = np.sort(np.where(there > 0, values, np.inf), axis=0)
    every, out = np.arange(values.shape[1]), []
    for share in shares:
        place = (count - 1) * share
        low = np.floor(place).astype(np.int64)
        a, b = ordered[low, every], ordered[np.minimum(low + 1, count - 1), every]
        out.append(a + (b - a) * (place - low))
    return out


def plain_t(columns: Floats, c: Floats, x: Floats, v: Floats, one: Stretches) -> Floats:
    """T value of c beside the course, with far values of x pulled in to four standard deviations of the middle half.

    What the course explains is taken off c and x first, so that the value of c is that of a line through the rest; 0 where
    nothing of c is left.
    """
    (middle,) = quantiles(x, one.there, one.count, 0.5)
    (half,) = quantiles(np.abs(x - middle), one.there, one.count, 0.5)
    reach = 4.0 * np.maximum(1.4826 * half, 1e-4)
    y = np.clip(x, middle - 2.0 * reach, middle + 2.0 * reach)
    weight = one.there / v
    seen: list[tuple[Floats, Floats]] = []

    def beside(values: Floats) -> Floats:
        for column, squares in seen:
            values = values - column * ((weight * column * values).sum(axis=0) / squares)
        return values

    for k in range(columns.shape[-1]):
        column = beside(columns[:, :, k])
        squares = (weight * column**2).sum(axis=0)
        seen.append((column, np.where(squares > 0, squares, 1.0)))
    whole = (weight * c**2).sum(axis=0)
    c, y = beside(c), beside(y)
    squares = (weight * c**2).sum(axis=0)
    telling = squares > SAME * whole
    squares = np.where(telling, squares, 1.0)
    slope = (weight * c * y).sum(axis=0) / squares
    freedom = np.maximum(one.count - columns.shape[-1] - 1, 1)
    scale = np.maximum((weight * (y - slope * c) ** 2).sum(axis=0) / freedom, 1.0)
    return np.where(telling, slope * np.sqrt(squares / scale), 0.0)


@dataclass(frozen=True)
class Fitted:
    """Regressions with blunders among their errors."""

    beta: Floats  # [stretches, columns]
    covariance: Floats  # [stretches, columns, columns]
    likelihood: Floats  # [stretches] natural log
    scale: Floats  # [stretches] s²


def normal_equations(design: Floats, weight: Floats) -> Floats:
    """Σ w d dᵀ of each stretch, [stretches, columns, columns]."""
    return np.asarray(np.einsum("nuk,nul->ukl", design * weight[:, :, None], design), np.float64)


def robust(design: Floats, x: Floats, v: Floats, there: Floats, scale: Floats, fixed: bool = False) -> Fitted:
    """Fit by iterated weights; scale: s² to start from, at least 1; fixed: it stays."""
    k = design.shape[-1]
    wide = BLUNDER_SD**2
    share = np.ones_like(x)  # probability that a check is no blunder
    beta: Floats = np.zeros(design.shape[1:])
    covariance: Floats = np.zeros((len(scale), k, k))
    total = share
    for _ in range(ROUNDS):
        narrow = scale * v
        weight = there * (share / narrow + (1.0 - share) / (narrow + wide))
        covariance = np.asarray(np.linalg.inv(normal_equations(design, weight)), np.float64)
        beta = np.einsum("ukl,ul->uk", covariance, np.einsum("nuk,nu->uk", design, weight * x))
        r2 = (x - np.einsum("nuk,uk->nu", design, beta)) ** 2
        sound = (1.0 - BLUNDER_SHARE) * np.exp(-0.5 * r2 / narrow) / np.sqrt(narrow)
        blunder = BLUNDER_SHARE * np.exp(-0.5 * r2 / (narrow + wide)) / np.sqrt(narrow + wide)
        total = sound + blunder + 1e-300
        share = sound / total
        if not fixed:
            freedom = np.maximum((there * share).sum(axis=0) - k, 1.0)
            scale = np.maximum((there * share * r2 / v).sum(axis=0) / freedom, 1.0)
    return Fitted(beta, covariance, (there * np.log(total)).sum(axis=0), scale)
