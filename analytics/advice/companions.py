"""Does the response go with battery, temperature or time since switch-on?

For each logged quantity a shape of it stands in a regression of the corrected response beside a smooth course in time:

    x(t) = a + b₁ t + b₂ t² + c · shape + e,    e ~ (1 − ε) N(0, s² v) + ε N(0, s² v + 0.25²),

fitted by iterated weights over the newest checks, for several lengths back, since a companion may be young. The second
part of e takes in blunders, so that the checks a low battery spoils can take part although each alone looks like one.
A companion is named when the likelihood with it beats that without by ``SURE_NATS``, when the differences from one check
to the next say the same, and when the newest checks do not deny it (common practice, no source, for the shapes: a battery
counts from a third of its charge down, a warm room from 24 °C up, time since switch-on by its logarithm).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from analytics.advice.companion_fits import Stretches, course, normal_equations, plain_t, quantiles, robust, stretches
from analytics.baseline.rows import Bools, Floats, Ints
from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Responses
from analytics.words import pct

LEAST_CHECKS = 15
LENGTHS = (15, 20, 28, 40, 60, 90)  # newest checks looked at, besides all of them
SURE_NATS = 5.0  # of log likelihood that make a companion worth naming: sound probes of simulated fleets reach it once in 400
SCREEN_T = 2.5  # below it a closer fit is not worth its time
DIFFERENCES_T = 1.5
LEAST_EFFECT = 0.015  # log response between the fifth and the ninety-fifth percentile of the shape
LEAST_SPOKEN = 3  # checks at which a shape with a threshold must speak
LEAST_HALF = 8  # checks in the newer half from which it may deny the whole
LEAST_RANGE = 1e-9  # of a shape that moved at all
SINGULAR = 1e10  # condition number of the normal equations beyond which they say nothing
EXPLAINED_SD = 3.0


@dataclass(frozen=True)
class Companion:
    """What the response goes with, and how much."""

    name: str
    t: float  # of the coefficient
    text: str
    explains: bool = True  # the reference lies within what the seen range of the companion makes of the response
    coefficient: float = 0.0  # of the log response, for each unit of the shape
    effect: float = 0.0  # log response between the ends of the shape
    nats: float = 20.0  # log likelihood with it over that without


@dataclass(frozen=True)
class Shape:
    """One way the response may follow a logged quantity; ``step`` of the shape is what the sentence speaks of."""

    name: str
    column: str
    of: Callable[[Floats], Floats]
    step: float
    words: str
    rest: float | None = None  # value of the shape at which the quantity does nothing, where that is known


SHAPES = (
    Shape("battery", "battery_pct", lambda v: v, -10.0, "10 % less charge", 100.0),
    Shape("battery", "battery_pct", lambda v: np.maximum(35.0 - v, 0.0), 10.0, "10 % less charge below 35 %", 0.0),
    Shape("temperature", "temperature_c", lambda v: v, 1.0, "degree Celsius"),
    Shape("temperature", "temperature_c", lambda v: np.maximum(v - 24.0, 0.0), 1.0, "degree Celsius above 24 °C", 0.0),
    Shape(
        "time since switch-on",
        "on_minutes",
        lambda v: np.log1p(np.maximum(v, 0.0)),
        float(np.log(2.0)),
        "doubling of the time since switch-on",
        0.0,
    ),
)


def companions(charts: ResponseCharts, states: Responses) -> dict[int, Companion]:
    """For each unit that has one, its surest companion. Units with fewer than fifteen logged checks have none."""
    rows, best = charts.rows, dict[int, Companion]()
    for shape in SHAPES:
        logged: Floats = getattr(states, shape.column)[rows.index]
        use = np.flatnonzero(rows.last & np.isfinite(logged) & np.isfinite(charts.corrected.x))
        first = np.flatnonzero(np.append(True, np.diff(rows.unit[use]) != 0)) if len(use) else np.zeros(0, np.int64)
        count = np.diff(np.append(first, len(use)))
        first, count = first[count >= LEAST_CHECKS], count[count >= LEAST_CHECKS]
        newest = [(first + count - length)[count > length] for length in LENGTHS]
        lengths = np.repeat(LENGTHS, [len(one) for one in newest])
        for group in stretches(use, np.concatenate([*newest, first]), np.concatenate([lengths, count])):
            for unit, found in _fits(shape, group, logged, charts):
                if unit not in best or found.nats > best[unit].nats:
                    best[unit] = found
    return best


def _fits(shape: Shape, group: Stretches, logged: Floats, charts: ResponseCharts) -> Iterator[tuple[int, Companion]]:
    """Unit and companion of the stretches where one is sure, and large enough to matter."""
    group = group.some(_moves(shape, group, logged))
    if len(group.count) == 0:
        return
    c = shape.of(logged[group.rows])
    c = c - (group.there * c).sum(axis=0) / group.count
    columns = course(charts.rows.at_days[group.rows], group.count)
    x, v = charts.corrected.x[group.rows], charts.corrected.noise[group.rows]
    design = np.concatenate([columns, c[:, :, None]], axis=2)
    likely = np.abs(plain_t(columns, c, x, v, group)) >= SCREEN_T
    # Where it went evenly with time the two cannot be told apart.
    likely[likely] = np.linalg.cond(normal_equations(design, group.there / v)[likely]) <= SINGULAR
    if not likely.any():
        return
    group, design, x, v = group.some(likely), design[:, likely], x[:, likely], v[:, likely]
    without = robust(design[:, :, :-1], x, v, group.there, np.ones(len(group.count)))
    fitted = robust(design, x, v, group.there, without.scale)
    # Spread that nothing explains belongs to both: the scale is that of the fit with the shape, which is the smaller.
    base = robust(design[:, :, :-1], x, v, group.there, fitted.scale, fixed=True)
    gain = fitted.likelihood - base.likelihood
    sure = gain >= SURE_NATS
    sure[sure] = ~_over_since(
        design[:, sure], x[:, sure], v[:, sure], group.some(sure), fitted.beta[sure, -1], fitted.scale[sure]
    )
    for k in np.flatnonzero(sure):
        part = group.rows[: group.count[k], k]
        one = _Fit(fitted.beta[k], fitted.covariance[k], float(fitted.scale[k]), float(gain[k]))
        found = _companion(shape, one, design[len(part) - 1, k, :-1], shape.of(logged[part]), part, charts)
        if found is not None:
            yield int(charts.rows.unit[part[0]]), found


def _moves(shape: Shape, group: Stretches, logged: Floats) -> Bools:
    """Whether the shape moved enough in each stretch to be seen."""
    c, there = shape.of(logged[group.rows]), group.there > 0
    low, high = quantiles(c, group.there, group.count, 0.05, 0.95)
    moves = (high - low > LEAST_RANGE) & (np.ptp(c, axis=0) >= abs(shape.step))  # what fills up is a value of the stretch
    if shape.rest is not None:
        moves &= (there & (np.abs(c - shape.rest) > LEAST_RANGE)).sum(axis=0) >= LEAST_SPOKEN
    return np.asarray(moves)


@dataclass(frozen=True)
class _Fit:
    """The regression of one stretch."""

    beta: Floats
    covariance: Floats
    scale: float
    nats: float


def _companion(
    shape: Shape, fit: _Fit, course_now: Floats, c: Floats, part: Ints, charts: ResponseCharts
) -> Companion | None:
    """What is said of one stretch; None where it is too small, or denied by the differences."""
    x, v = charts.corrected.x[part], charts.corrected.noise[part]
    low, high = (float(end) for end in np.quantile(c, (0.05, 0.95)))
    slope, sd = float(fit.beta[-1]), float(np.sqrt(fit.covariance[-1, -1]))
    effect = slope * (high - low)
    if abs(effect) < LEAST_EFFECT or not _differences_agree(x, c, v, slope):
        return None
    change = 100.0 * slope * shape.step
    value = slope / sd
    unit = int(charts.rows.unit[part[0]])
    reference = float(charts.corrected.alpha[unit]), float(charts.corrected.alpha_var[unit])
    explains = _explains(shape, fit, c, course_now, *reference)
    text = (
        f"The response goes with {shape.name}: it {'falls' if change < 0 else 'rises'} by {pct(change)} for each {shape.words} "
        f"(t = {abs(value):.1f}, {len(part)} checks); "
        + ("this is not called drift." if explains else "that part is not called drift, but it does not explain the whole change.")
    )
    return Companion(shape.name, value, text, explains, slope, effect, fit.nats)


def _differences_agree(x: Floats, c: Floats, v: Floats, slope: float) -> bool:
    """Whether steps of the companion from check to check go with steps of the response: a slow course cannot feign that."""
    dx, dc = np.diff(x), np.diff(c)
    w = 1.0 / (v[1:] + v[:-1])
    spread = np.sqrt(1.0 / w)
    dx = np.clip(dx, -6.0 * spread, 6.0 * spread) if len(dx) else dx
    total = float((w * dc**2).sum())
    if total <= 0:
        return False
    b = float((w * dc * dx).sum()) / total
    scale = max(float((w * (dx - b * dc) ** 2).mean()), 1.0)
    return bool(b * np.sign(slope) / np.sqrt(scale / total) > DIFFERENCES_T)


def _over_since(design: Floats, x: Floats, v: Floats, group: Stretches, slope: Floats, scale: Floats) -> Bools:
    """Whether the newer half of the checks denies what the whole says, by a nat: a battery changed, a contact mended."""
    half = group.count // 2
    newer = group.there * (np.arange(len(x))[:, None] >= half)
    tells = half >= LEAST_HALF
    tells[tells] = np.linalg.cond(normal_equations(design[:, tells], newer[:, tells] / v[:, tells])) <= SINGULAR
    out = np.zeros(len(half), bool)
    if tells.any():
        fit = robust(design[:, tells][:, :, [0, -1]], x[:, tells], v[:, tells], newer[:, tells], scale[tells])
        b, variance = fit.beta[:, -1], fit.covariance[:, -1, -1]
        out[tells] = (b - slope[tells]) ** 2 - b**2 > 2.0 * variance
    return out


def _explains(shape: Shape, fit: _Fit, c: Floats, course_now: Floats, alpha: float, alpha_var: float) -> bool:
    """Whether the reference is what the response would be at some value of the companion that was seen, or at rest."""
    if not np.isfinite(alpha) or not np.isfinite(alpha_var):
        return True
    ends = [float(c.min()), float(c.max())] + ([shape.rest] if shape.rest is not None else [])
    predicted, variance = [], []
    for end in (min(ends), max(ends)):
        at = np.append(course_now, end - c.mean())
        predicted.append(float(at @ fit.beta))
        variance.append(float(at @ fit.covariance @ at))
    slack = EXPLAINED_SD * np.sqrt(max(variance) + alpha_var)
    return bool(min(predicted) - slack <= alpha <= max(predicted) + slack)
