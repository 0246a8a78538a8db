"""Parameters of charts, refused in words where they are out of range."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analytics.errors import UserError


def between(name: str, value: float, low: float, high: float) -> None:
    """Refuse a number outside [low, high], and NaN."""
    if not low <= value <= high:
        raise UserError(f"{name} is {value:g} and must lie between {low:g} and {high:g}", where=name)


def at_least(name: str, value: float, low: float) -> None:
    """Refuse a number below ``low``, and NaN."""
    if not value >= low:
        raise UserError(f"{name} is {value:g} and must be at least {low:g}", where=name)


def one_of(name: str, value: object, known: Sequence[object]) -> None:
    """Refuse a value that is not in the list."""
    if value not in known:
        raise UserError(f"{name} is {value!r} and must be one of {', '.join(map(str, known))}", where=name)


def readings(after: float) -> float:
    """A whole number of readings, 0 to 1,000,000, or infinity."""
    if not math.isinf(after):
        between("after", after, 0, 1e6)
        if after != int(after):
            raise UserError(f"after is {after:g} and must be a whole number of readings", where="after")
    return after
