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

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Floats, Ints
from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Responses
from analytics.words import pct

LEAST_CHECKS = 15
LENGTHS = (15, 20, 28, 40, 60, 90)  # newest checks looked at, besides all of them
SURE_NATS = 6.5  # of log likelihood that make a companion worth naming; the cause weighs how sure it is
SCREEN_T = 2.5  # below it a closer fit is not worth its time
DIFFERENCES_T = 1.5
LEAST_EFFECT = 0.015  # log response between the fifth and the ninety-fifth percentile of the shape
LEAST_SPOKEN = 3  # checks at which a shape with a threshold must speak
BLUNDER_SHARE, BLUNDER_SD = 0.03, 0.25
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
    rows, best = charts.rows, dict[int, tuple[float, Companion]]()
    for shape in SHAPES:
        logged: Floats = getattr(states, shape.column)[rows.index]
        use = np.flatnonzero(rows.last & np.isfinite(logged) & np.isfinite(charts.corrected.x))
        if len(use) == 0:
            continue
        starts = np.flatnonzero(np.append(True, np.diff(rows.unit[use]) != 0))
        for mine in np.split(use, starts[1:]):
            if len(mine) < LEAST_CHECKS:
                continue
            unit = int(rows.unit[mine[0]])
            for length in (*(n for n in LENGTHS if n < len(mine)), len(mine)):
                part = mine[-length:]
                found = _fit(shape, part, shape.of(logged[part]), charts)
                if found is not None and (unit not in best or found[0] > best[unit][0]):
                    best[unit] = found
    return {unit: companion for unit, (_, companion) in best.items()}


@dataclass(frozen=True)
class _Fitted:
    """A regression with blunders among its errors."""

    beta: Floats
    covariance: Floats
    likelihood: float
    scale: float


def _fit(shape: Shape, part: Ints, c: Floats, charts: ResponseCharts) -> tuple[float, Companion] | None:
    """Gain of likelihood in nats and the companion; None where it is not sure, or too small to matter."""
    low, high = (float(v) for v in np.quantile(c, (0.05, 0.95)))
    if high - low <= 1e-9 or float(np.ptp(c)) < abs(shape.step) or (shape.rest is not None and (np.abs(c - shape.rest) > 1e-9).sum() < LEAST_SPOKEN):
        return None
    x, t = charts.corrected.x[part], charts.rows.at_days[part]
    v = charts.corrected.noise[part]
    span = max(float(np.ptp(t)), 1.0)
    u = 2.0 * (t - t[0]) / span - 1.0
    course = np.column_stack([np.ones(len(part)), u] + ([u**2] if len(part) >= 20 else []))
    design = np.column_stack([course, c - c.mean()])
    weight = 1.0 / v
    normal = (design * weight[:, None]).T @ design
    if np.linalg.cond(normal) > SINGULAR:
        return None  # it went evenly with time, and the two cannot be told apart
    if abs(_plain_t(design, x, v)) < SCREEN_T:
        return None
    without = _robust(course, x, v)
    fitted = _robust(design, x, v, without.scale)
    # Spread that nothing explains belongs to both: the scale is that of the fit with the shape, which is the smaller.
    base = _robust(course, x, v, fitted.scale, fixed=True)
    gain = fitted.likelihood - base.likelihood
    slope, sd = float(fitted.beta[-1]), float(np.sqrt(fitted.covariance[-1, -1]))
    effect = slope * (high - low)
    if gain < SURE_NATS or abs(effect) < LEAST_EFFECT:
        return None
    if not _differences_agree(x, c, v, slope) or _over_since(design, x, v, slope, fitted.scale):
        return None
    change = 100.0 * slope * shape.step
    value = slope / sd
    unit = int(charts.rows.unit[part[0]])
    reference = float(charts.corrected.alpha[unit]), float(charts.corrected.alpha_var[unit])
    explains = _explains(shape, fitted, c, course[-1], *reference)
    text = (
        f"The response goes with {shape.name}: it {'falls' if change < 0 else 'rises'} by {pct(change)} for each {shape.words} "
        f"(t = {abs(value):.1f}, {len(part)} checks); "
        + ("this is not called drift." if explains else "that part is not called drift, but it does not explain the whole change.")
    )
    return gain, Companion(shape.name, value, text, explains, slope, effect, gain)


def _plain_t(design: Floats, x: Floats, v: Floats) -> float:
    """T value of the last column, with far values pulled in to four standard deviations of the middle half."""
    middle = float(np.median(x))
    reach = 4.0 * max(1.4826 * float(np.median(np.abs(x - middle))), 1e-4)
    y = np.clip(x, middle - 2.0 * reach, middle + 2.0 * reach)
    weight = 1.0 / v
    covariance = np.linalg.inv((design * weight[:, None]).T @ design)
    beta = covariance @ ((design * weight[:, None]).T @ y)
    scale = max(float((weight * (y - design @ beta) ** 2).sum()) / max(len(x) - design.shape[1], 1), 1.0)
    return float(beta[-1] / np.sqrt(covariance[-1, -1] * scale))


def _robust(
    design: Floats, x: Floats, v: Floats, scale: float = 1.0, fixed: bool = False, rounds: int = 12
) -> _Fitted:
    """Fit by iterated weights; scale: s² to start from, at least 1; fixed: it stays."""
    n, k = design.shape
    wide = BLUNDER_SD**2
    share = np.full(n, 1.0)  # probability that a check is no blunder
    beta: Floats = np.zeros(k)
    covariance: Floats = np.eye(k)
    for _ in range(rounds):
        narrow = scale * v
        weight = share / narrow + (1.0 - share) / (narrow + wide)
        covariance = np.asarray(np.linalg.inv((design * weight[:, None]).T @ design), np.float64)
        beta = covariance @ ((design * weight[:, None]).T @ x)
        r2 = (x - design @ beta) ** 2
        sound = (1.0 - BLUNDER_SHARE) * np.exp(-0.5 * r2 / narrow) / np.sqrt(narrow)
        blunder = BLUNDER_SHARE * np.exp(-0.5 * r2 / (narrow + wide)) / np.sqrt(narrow + wide)
        total = sound + blunder + 1e-300
        share = sound / total
        if not fixed:
            freedom = max(float(share.sum()) - k, 1.0)
            scale = max(float((share * r2 / v).sum()) / freedom, 1.0)
    return _Fitted(beta, covariance, float(np.log(total).sum()), scale)


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


def _over_since(design: Floats, x: Floats, v: Floats, slope: float, scale: float) -> bool:
    """Whether the newer half of the checks denies what the whole says, by a nat: a battery changed, a contact mended."""
    half = len(x) // 2
    some = slice(half, None)
    if half < 8 or np.linalg.cond((design[some] / v[some, None]).T @ design[some]) > SINGULAR:
        return False
    newer = _robust(design[some][:, [0, -1]], x[some], v[some], scale)
    b, sd = float(newer.beta[-1]), float(np.sqrt(newer.covariance[-1, -1]))
    return (b - slope) ** 2 - b**2 > 2.0 * sd**2


def _explains(shape: Shape, fitted: _Fitted, c: Floats, course_now: Floats, alpha: float, alpha_var: float) -> bool:
    """Whether the reference is what the response would be at some value of the companion that was seen, or at rest."""
    if not np.isfinite(alpha) or not np.isfinite(alpha_var):
        return True
    ends = [float(c.min()), float(c.max())] + ([shape.rest] if shape.rest is not None else [])
    predicted, variance = [], []
    for end in (min(ends), max(ends)):
        at = np.append(course_now, end - c.mean())
        predicted.append(float(at @ fitted.beta))
        variance.append(float(at @ fitted.covariance @ at))
    slack = EXPLAINED_SD * np.sqrt(max(variance) + alpha_var)
    return bool(min(predicted) - slack <= alpha <= max(predicted) + slack)
