"""The slots in which visits are put: weeks that begin on the first day of the plan."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

DAYS_A_SLOT = 7


def working_day(day: date, from_on: date, to_on: date) -> date:
    """The day itself, or off a week-end the Friday before, or the Monday after where that lies before ``from_on``.

    A week-end with neither inside the plan stays as it is. Public holidays are not known here.

    >>> working_day(date(2026, 3, 7), date(2026, 3, 2), date(2026, 3, 31)).isoformat()
    '2026-03-06'
    """
    if day.weekday() < 5:
        return day
    friday = day - timedelta(days=day.weekday() - 4)
    if friday >= from_on:
        return friday
    monday = day + timedelta(days=7 - day.weekday())
    return monday if monday <= to_on else day


@dataclass(frozen=True, slots=True)
class Slots:
    """Weeks from ``from_on`` on; the last may be short. Days and slots count from 0."""

    from_on: date
    to_on: date

    @property
    def days(self) -> int:
        """Days of the plan, both ends included."""
        return (self.to_on - self.from_on).days + 1

    @property
    def count(self) -> int:
        """How many slots."""
        return -(-self.days // DAYS_A_SLOT)

    def day(self, on: date) -> int:
        """Number of a day; negative before the plan."""
        return (on - self.from_on).days

    def on(self, day: int) -> date:
        """The date of a day's number."""
        return self.from_on + timedelta(days=day)

    def of(self, on: date) -> int:
        """The slot a date lies in."""
        return self.day(on) // DAYS_A_SLOT

    def first_working(self, slot: int) -> date:
        """The first working day of a slot, or its first day where it has none."""
        days = self._working(slot)
        return days[0] if days else self.on(slot * DAYS_A_SLOT)

    def last_working(self, slot: int) -> date:
        """The last working day of a slot, or its first day where it has none."""
        days = self._working(slot)
        return days[-1] if days else self.on(slot * DAYS_A_SLOT)

    def _working(self, slot: int) -> list[date]:
        first = slot * DAYS_A_SLOT
        days = [self.on(one) for one in range(first, min(first + DAYS_A_SLOT, self.days))]
        return [one for one in days if one.weekday() < 5]

    @property
    def operating(self) -> npt.NDArray[np.bool_]:
        """Which days are operating days: Monday to Friday, [days]."""
        return (self.from_on.weekday() + np.arange(self.days)) % 7 < 5
