"""The curves of what watching costs; imports no page, since they are worked out beside the server."""

from __future__ import annotations

from dataclasses import dataclass, replace

from analytics.charts.price import HABIT_PCT, Situation, habit_checks, mean_checks
from analytics.charts.price_document import BUDGETS
from analytics.errors import UserError

CURVE_STEPS_PCT = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0)
CURVE_DRIFTS_PCT_PER_YEAR = (2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0, 40.0)
CENTURY_DAYS = 36525.0


@dataclass(frozen=True)
class Curve:
    """Days to a signal against the size of the change; None where it does not come within a century."""

    name: str
    kind: str  # "step", "drift"
    budget: float | None  # None: the old habit
    size: tuple[float, ...]  # per cent, per cent a year
    days: tuple[float | None, ...]


def curves(asked: Situation) -> tuple[Curve, ...]:
    """One curve a budget and kind of change, the budget asked for among them, and the old habit's."""
    found = []
    for kind, sizes in (("step", CURVE_STEPS_PCT), ("drift", CURVE_DRIFTS_PCT_PER_YEAR)):
        for budget in sorted({*BUDGETS, asked.budget_per_probe_year}):
            try:
                other = replace(asked, budget_per_probe_year=budget)
            except UserError:  # a cadence at which this budget is not computed
                continue
            days = tuple(_days(mean_checks(other, kind, size)[0], asked) for size in sizes)
            found.append(Curve(f"{budget:g} a probe-year", kind, budget, sizes, days))
        habit = tuple(_days(habit_checks(asked, kind, size), asked) for size in sizes)
        found.append(Curve(f"fixed ±{HABIT_PCT:g} %", kind, None, sizes, habit))
    return tuple(found)


def _days(checks: float, asked: Situation) -> float | None:
    days = checks * asked.cadence_days
    return days if days <= CENTURY_DAYS else None
