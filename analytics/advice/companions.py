"""Does the response go with battery, temperature or time since switch-on?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.words import signed_pct
from analytics.baseline.rows import Floats
from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Responses

LEAST_CHECKS = 15
SURE_T = 5.0
LEAST_EFFECT = 0.015  # log response over the middle four fifths of the companion's range


@dataclass(frozen=True)
class Companion:
    """What the response goes with, and how much."""

    name: str
    t: float
    text: str


WHAT = (("battery", "battery_pct", 10.0, "10 % of battery charge"), ("temperature", "temperature_c", 1.0, "°C"),
        ("time since switch-on", "on_minutes", 10.0, "10 min since switch-on"))


def companions(charts: ResponseCharts, states: Responses) -> dict[int, Companion]:
    """For each unit that has one, the surest companion: regression of x on the logged quantity beside a straight line in time."""
    rows, out = charts.rows, {}
    for name, column, step, words in WHAT:
        logged: Floats = getattr(states, column)[rows.index]
        use = rows.last & charts.outliers.admitted & np.isfinite(logged)
        for unit in np.unique(rows.unit[use]):
            mine = np.flatnonzero(use & (rows.unit == unit))
            if len(mine) < LEAST_CHECKS:
                continue
            c = logged[mine]
            wide = float(np.quantile(c, 0.9) - np.quantile(c, 0.1))
            if wide <= 0:
                continue
            x, t = charts.corrected.x[mine], rows.at_days[mine]
            design = np.column_stack([np.ones(len(mine)), (t - t.mean()) / max(float(np.ptp(t)), 1.0), c - c.mean()])
            weight = 1.0 / np.sqrt(charts.corrected.noise[mine])
            solution, _, rank, _ = np.linalg.lstsq(design * weight[:, None], x * weight, rcond=None)
            if rank < 3:
                continue
            residual = (x - design @ solution) * weight
            scale = max(float((residual**2).sum()) / (len(mine) - 3), 1.0)
            covariance = np.linalg.inv((design * weight[:, None]).T @ (design * weight[:, None])) * scale
            value = float(solution[2] / np.sqrt(covariance[2, 2]))
            if abs(value) > SURE_T and abs(solution[2]) * wide > LEAST_EFFECT and (unit not in out or abs(value) > abs(out[unit].t)):
                text = f"The response goes with {name}: {signed_pct(100 * float(solution[2]) * step)} for each {words} (t = {abs(value):.1f}, {len(mine)} checks)."
                out[int(unit)] = Companion(name, value, text)
    return out
