"""When did the response truly pass the tolerance? Read in hindsight, from the checks on both sides of the day.

The level of a unit at each check is a local straight line through the nearest checks, weighted by nearness (tricube) and
by 1/variance (Cleveland 1979, locally weighted regression [from memory]). Checks far from the median of the five around
them are left out first, so that two blunders in a row, which the charts had to believe, are not a passing.
Here later checks may speak, since this is the yardstick and not the forecast. It is itself an estimate: a passing comes
with the days between which it lies, and one that never stood out of its own error is none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.heard_core import WANDER
from analytics.baseline.rows import Bools, Floats, Ints
from analytics.charts.response import ResponseCharts
from analytics.drift.state import Z90
from analytics.drift.trend import fit_trends

NEAREST = 13  # checks that make the level at a check
FAR = 4.5  # standard deviations from the median of five that leave a check out
AFTER = 4  # checks after a passing that help to tell a jump from a slide


@dataclass(frozen=True)
class Passing:
    """The first day on which a unit stood beyond the tolerance on one side."""

    low: bool
    day: float  # days since 1970
    earliest: float  # 90 % interval of that day
    latest: float
    sudden: bool  # a step is the better account of the checks up to shortly after it, not a drift


@dataclass(frozen=True)
class UnitStory:
    """What hindsight knows of one unit of a response series."""

    series: int
    probe: int
    began_days: float  # first counting
    first_days: float  # first and last check
    last_days: float
    ended: bool  # by a new reference; else the data end
    low: Passing | None
    high: Passing | None

    def passing(self, *, low: bool) -> Passing | None:
        """The passing of the lower or the upper limit."""
        return self.low if low else self.high

    @property
    def first_passing(self) -> Passing | None:
        """The earlier one of both sides."""
        found = [one for one in (self.low, self.high) if one is not None]
        return min(found, key=lambda one: one.day, default=None)


def smoothed(unit: Ints, at_days: Floats, x: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Level and its standard error at each check, by a local line through the nearest checks of its unit.

    Rows sorted by (unit, time). Fewer than ``NEAREST`` checks: all of them; one: itself.

    >>> at = np.arange(20.0)
    >>> level, error = smoothed(np.zeros(20, np.int64), at, 0.01 * at, np.full(20, 1e-4))
    >>> bool(np.allclose(level, 0.01 * at)), bool((error < 0.01).all())
    (True, True)
    """
    if len(unit) == 0:
        return np.zeros(0), np.zeros(0)
    rows, inside = _around(unit, NEAREST)
    t = np.where(inside, at_days[rows] - at_days[:, None], 0.0)
    reach = np.abs(t).max(axis=1, keepdims=True) * 1.001 + 1e-9
    near = (1.0 - (np.abs(t) / reach) ** 3) ** 3
    w = np.where(inside, near / variance[rows], 0.0)
    y = np.where(inside, x[rows] - x[:, None], 0.0)
    total = w.sum(axis=1)
    t_mean, y_mean = (w * t).sum(axis=1) / total, (w * y).sum(axis=1) / total
    spread = (w * (t - t_mean[:, None]) ** 2).sum(axis=1)
    few = spread <= 1e-12 * total
    slope = np.where(few, 0.0, (w * (t - t_mean[:, None]) * y).sum(axis=1) / np.where(few, 1.0, spread))
    level = x + y_mean - slope * t_mean
    # Each check speaks with this share of the level at t = 0.
    lever = np.where(few[:, None], 0.0, (t - t_mean[:, None]) * (-t_mean / np.where(few, 1.0, spread))[:, None])
    share = w * (1.0 / total[:, None] + lever)
    error = np.sqrt((share**2 * np.where(inside, variance[rows], 0.0)).sum(axis=1))
    return level, error


def _around(unit: Ints, most: int) -> tuple[Ints, Bools]:
    """Row numbers of the checks around each check within its unit, [n, most], and which of them there are."""
    n = len(unit)
    starts = np.flatnonzero(np.append(True, np.diff(unit) != 0))
    ends = np.append(starts[1:], n)
    number = np.repeat(np.arange(len(starts)), ends - starts)
    first, last = starts[number], ends[number]
    begin = np.clip(np.arange(n) - most // 2, first, np.maximum(last - most, first))
    rows = begin[:, None] + np.arange(most)[None, :]
    return np.minimum(rows, n - 1), rows < last[:, None]


def _near_neighbours(unit: Ints, x: Floats, noise: Floats) -> Bools:
    """Checks that do not lie far from the median of the five around them; where there are fewer, all."""
    if len(unit) == 0:
        return np.zeros(0, bool)
    rows, inside = _around(unit, 5)
    median = np.median(x[rows], axis=1)
    far = np.abs(x - median) > FAR * np.sqrt(noise)
    return np.asarray(~far | ~inside.all(axis=1))


def unit_stories(charts: ResponseCharts, tolerance: float) -> list[UnitStory]:
    """Every unit with a reference, and whether, when and how it passed ± ``tolerance`` (a fraction of the reference)."""
    rows, c = charts.rows, charts.corrected
    use = np.flatnonzero(rows.last & charts.outliers.admitted)
    last_check = np.full(rows.units, np.nan)
    last_check[rows.unit[use]] = rows.at_days[use]
    use = use[_near_neighbours(rows.unit[use], c.x[use], c.noise[use])]
    unit, at, x, variance = rows.unit[use], rows.at_days[use], c.x[use], c.noise[use]
    level, error = smoothed(unit, at, x, variance)
    edges = np.searchsorted(unit, np.arange(rows.units + 1))
    # The reference has its own doubt, and so has what was taken off as common to all: more checks do not average it away.
    common = np.sqrt(c.alpha_var[unit] + c.persistent[use] + WANDER)
    out = []
    for number in range(rows.units):
        part = slice(int(edges[number]), int(edges[number + 1]))
        if part.start == part.stop or not np.isfinite(c.alpha[number]):
            continue
        off = level[part] - c.alpha[number]
        passings = []
        for sign in (-1.0, 1.0):
            limit = float(abs(np.log1p(sign * tolerance)))
            start = _first_beyond(sign * off, error[part], limit)
            found = None
            if start is not None:
                upto = slice(part.start, min(part.start + start + 1 + AFTER, part.stop))
                sudden = _stepped(at[upto], x[upto], variance[upto])
                doubt = Z90 * np.hypot(error[part], common[part])
                when = _when(at[part], sign * off, doubt, limit, start)
                if sudden:
                    when = _step_seen(at[part], sign * (x[part] - c.alpha[number]), limit, start, when)
                found = Passing(sign < 0, *when, sudden=sudden)
            passings.append(found)
        out.append(
            UnitStory(
                int(rows.unit_series[number]),
                int(rows.unit_probe[number]),
                float(rows.first_days[rows.unit_first[number]]),
                float(at[part][0]),
                float(last_check[number]),
                bool(np.isfinite(charts.unit_ends[number])),
                *passings,
            )
        )
    return out


def _first_beyond(off: Floats, error: Floats, limit: float) -> int | None:
    """Where the first stretch beyond ``limit`` begins that somewhere stands out of its own error; beyond is above."""
    beyond = off > limit
    starts = np.flatnonzero(beyond & ~np.append(False, beyond[:-1]))
    stops = np.flatnonzero(beyond & ~np.append(beyond[1:], False)) + 1
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        if (off[start:stop] - error[start:stop] > limit).any():
            return int(start)
    return None


def _when(at: Floats, off: Floats, doubt: Floats, limit: float, start: int) -> tuple[float, float, float]:
    """Day of the passing, and the days between which it lies.

    From the check at which the level may first have been beyond to the one at which it surely was (90 % each way).
    """
    if start == 0:
        return float(at[0]), float(at[0]), float(at[0])
    rise, gap = float(off[start] - off[start - 1]), float(at[start] - at[start - 1])
    day = float(at[start - 1]) + gap * (limit - float(off[start - 1])) / rise
    within = np.flatnonzero(off[:start] + doubt[:start] <= limit)
    early = int(within[-1]) if len(within) else 0
    surely = np.flatnonzero(off[start:] - doubt[start:] > limit)
    late = start + int(surely[0]) if len(surely) else len(at) - 1
    return day, float(at[early]), float(at[late])


def _step_seen(
    at: Floats, off: Floats, limit: float, start: int, otherwise: tuple[float, float, float]
) -> tuple[float, float, float]:
    """A step is dated by the first check beyond from which most are; the line through both sides would smear it."""
    for j in range(max(start - AFTER, 1), min(start + AFTER + 1, len(at))):
        if off[j] > limit and np.median(off[j : j + 3]) > limit:
            return float(at[j]), float(at[j - 1]), float(at[j])
    return otherwise


def _stepped(at: Floats, x: Floats, variance: Floats) -> bool:
    """Whether a step accounts better than a drift for the checks up to shortly after a passing."""
    trends = fit_trends(np.zeros(len(at), np.int64), at, x, variance, 1)
    return bool(trends.probability_step[0] > trends.probability_ramp[0])
