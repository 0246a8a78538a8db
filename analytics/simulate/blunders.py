"""What people do wrong at the bench and at the keyboard, with what would have been right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from analytics.simulate.checks import Checks
from analytics.simulate.physics import Floats

# Kind -> how often, of all blunders (invented shares; nobody publishes any).
SHARES = {
    "mis_seated": 0.30, "wrong_window": 0.20, "digit_swapped": 0.15, "digit_dropped": 0.10, "count_time_wrong": 0.10,
    "day_month_swapped": 0.10, "month_wrong": 0.05,
}
KINDS = ("", *SHARES)


@dataclass(frozen=True)
class Blunders:
    """One value a check: kind (index into ``KINDS``), and the factor on the rate that mis-seating or a wrong window makes."""

    kind: NDArray[np.intp]
    factor: Floats

    def is_kind(self, name: str) -> NDArray[np.bool_]:
        """The checks with this kind of blunder."""
        return np.asarray(self.kind == KINDS.index(name), dtype=np.bool_)


def draw_blunders(checks: Checks, rate: float, rng: Generator) -> Blunders:
    """Draw which checks are spoiled, and how."""
    size = len(checks.day)
    kind = np.where(rng.random(size) < rate, rng.choice(len(SHARES), size, p=list(SHARES.values())) + 1, 0).astype(np.intp)
    seated = np.where(rng.random(size) < 0.85, rng.uniform(0.55, 0.93, size), rng.uniform(1.06, 1.25, size))
    # A window set wrong gives a ratio that is each probe's own and comes back every time.
    ratio = np.where(rng.random(checks.probe.max(initial=-1) + 1) < 0.5, 0.25, 1.45)
    ratio = ratio * rng.uniform(0.85, 1.15, len(ratio))
    factor = np.where(kind == KINDS.index("mis_seated"), seated, 1.0)
    factor = np.where(kind == KINDS.index("wrong_window"), ratio[checks.probe], factor)
    return Blunders(kind, factor)


def swapped_digits(count: int, rng: Generator) -> int:
    """The count with two neighbouring digits changed over; the count itself where all digits are alike.

    >>> swapped_digits(41, np.random.default_rng(1))
    14
    """
    text = str(count)
    places = [place for place in range(len(text) - 1) if text[place] != text[place + 1]]
    if not places:
        return count
    place = int(rng.choice(places))
    return int(text[:place] + text[place + 1] + text[place] + text[place + 2:])


def dropped_digit(count: int, rng: Generator) -> int:
    """The count with one digit left out; the count itself where it has only one.

    >>> dropped_digit(77, np.random.default_rng(1))
    7
    """
    text = str(count)
    if len(text) < 2:
        return count
    place = int(rng.integers(0, len(text)))
    return int(text[:place] + text[place + 1:])


def swapped_date(when: pd.Timestamp, first: pd.Timestamp, last: pd.Timestamp) -> pd.Timestamp | None:
    """The time with day and month changed over, None where that is no date between first and last or is the same."""
    if when.day > 12 or when.day == when.month:
        return None
    other = when.replace(month=when.day, day=when.month)
    return other if first <= other <= last else None
