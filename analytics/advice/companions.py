"""Does the response go with battery, temperature or time since switch-on?

Weighted regression of the corrected response on the logged quantity beside a straight line in time, over the newest checks
and over all; a battery counts from a third of its charge down, a warm room from 24 °C up, time since switch-on by
its logarithm, as these faults do (common practice, no source). A coefficient is said only when it is sure and matters.
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
NEWEST = 45  # checks looked at besides all of them: a companion may be young
SURE_T = 5.0
SINGULAR = 1e10  # condition number of the normal equations beyond which they say nothing
LEAST_EFFECT = 0.02  # log response between the tenth and the ninetieth percentile of the shape


@dataclass(frozen=True)
class Companion:
    """What the response goes with, and how much."""

    name: str
    t: float
    text: str


@dataclass(frozen=True)
class Shape:
    """One way the response may follow a logged quantity; ``step`` of the shape is what the sentence speaks of."""

    name: str
    column: str
    of: Callable[[Floats], Floats]
    step: float
    words: str


SHAPES = (
    Shape("battery", "battery_pct", lambda v: v, -10.0, "10 % less charge"),
    Shape("battery", "battery_pct", lambda v: np.maximum(35.0 - v, 0.0), 10.0, "10 % less charge below 35 %"),
    Shape("temperature", "temperature_c", lambda v: v, 1.0, "degree Celsius"),
    Shape("temperature", "temperature_c", lambda v: np.maximum(v - 24.0, 0.0), 1.0, "degree Celsius above 24 °C"),
    Shape(
        "time since switch-on",
        "on_minutes",
        lambda v: np.log1p(np.maximum(v, 0.0)),
        float(np.log(2.0)),
        "doubling of the time since switch-on",
    ),
)


def companions(charts: ResponseCharts, states: Responses) -> dict[int, Companion]:
    """For each unit that has one, its surest companion. Units with fewer than fifteen logged checks have none."""
    rows, out = charts.rows, dict[int, Companion]()
    for shape in SHAPES:
        logged: Floats = getattr(states, shape.column)[rows.index]
        use = np.flatnonzero(rows.last & charts.outliers.admitted & np.isfinite(logged))
        if len(use) == 0:
            continue
        starts = np.flatnonzero(np.append(True, np.diff(rows.unit[use]) != 0))
        for mine in np.split(use, starts[1:]):
            if len(mine) < LEAST_CHECKS:
                continue
            unit = int(rows.unit[mine[0]])
            for part in (mine, mine[-NEWEST:]):
                found = _fit(shape, part, shape.of(logged[part]), charts)
                if found is not None and (unit not in out or abs(found.t) > abs(out[unit].t)):
                    out[unit] = found
    return out


def _fit(shape: Shape, part: Ints, c: Floats, charts: ResponseCharts) -> Companion | None:
    wide = float(np.quantile(c, 0.9) - np.quantile(c, 0.1))
    if wide <= 1e-9:
        return None
    x, t = charts.corrected.x[part], charts.rows.at_days[part]
    weight = 1.0 / charts.corrected.noise[part]
    design = np.column_stack([np.ones(len(part)), (t - t.mean()) / max(float(np.ptp(t)), 1.0), c - c.mean()])
    normal = (design * weight[:, None]).T @ design
    if np.linalg.cond(normal) > SINGULAR:
        return None  # it went evenly with time, and the two cannot be told apart
    covariance = np.linalg.inv(normal)
    solution = covariance @ ((design * weight[:, None]).T @ x)
    scale = max(float((weight * (x - design @ solution) ** 2).sum()) / (len(part) - 3), 1.0)
    value = float(solution[2] / np.sqrt(covariance[2, 2] * scale))
    effect = float(solution[2]) * wide
    if abs(value) < SURE_T or abs(effect) < LEAST_EFFECT:
        return None
    change = 100.0 * float(solution[2]) * shape.step
    text = (
        f"The response goes with {shape.name}: it {'falls' if change < 0 else 'rises'} by {pct(change)} for each {shape.words} "
        f"(t = {abs(value):.1f}, {len(part)} checks); this is not called drift."
    )
    return Companion(shape.name, value, text)
