"""Days in use beyond a limit, to be expected from a forecast of its crossing."""

from __future__ import annotations

from datetime import date

import numpy as np
import numpy.typing as npt

from analytics.results import Crossing


def chance_crossed(crossing: Crossing, as_of: date, from_on: date, days: int) -> npt.NDArray[np.float64]:
    """Probability that the limit has been passed, for each of ``days`` days from ``from_on`` on, [days].

    Drawn through the quantiles and the probabilities that the crossing carries, straight between them, flat after the
    last, 0 before ``as_of``.
    """
    known: dict[int, float] = {0: 0.0}
    for at, probability in ((crossing.p05, 0.05), (crossing.p50, 0.5), (crossing.p95, 0.95)):
        if at is not None:
            day = max((at - as_of).days, 0)
            known[day] = max(known.get(day, 0.0), probability)
    for day, probability in crossing.probability_within_days.items():
        known[day] = max(known.get(day, 0.0), probability)
    at_days = np.array(sorted(known), float)
    levels = np.maximum.accumulate(np.array([known[int(one)] for one in at_days]))
    wanted = (from_on - as_of).days + np.arange(max(days, 0))
    return np.interp(wanted, at_days, levels, left=0.0)


def days_beyond(crossing: Crossing, as_of: date, from_on: date, until: date) -> float:
    """Expected days beyond the limit from ``from_on`` up to, not including, ``until``: the sum of P(crossed by day), d.

    >>> c = Crossing(90.0, date(2026, 1, 11), date(2026, 1, 21), None, {})
    >>> round(days_beyond(c, date(2026, 1, 1), date(2026, 1, 11), date(2026, 1, 12)), 6)
    0.05
    """
    return float(chance_crossed(crossing, as_of, from_on, (until - from_on).days).sum())


def risk_until(crossing: Crossing | None, as_of: date, from_on: date, days: int) -> npt.NDArray[np.float64]:
    """Expected days beyond the limit before day 0, 1, …, ``days`` of the plan, [days + 1]; zeros without a forecast."""
    if crossing is None:
        return np.zeros(days + 1)
    return np.concatenate([[0.0], np.cumsum(chance_crossed(crossing, as_of, from_on, days))])
