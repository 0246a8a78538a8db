"""Cover by the week: the fewest fit probes on an operating day of each week."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analytics.planning.cover import Fleet, Ints
from analytics.planning.slots import DAYS_A_SLOT


def weekly(fleet: Fleet) -> tuple[Ints, Ints]:
    """Spare fit probes of each cell in each week [cells, weeks], and the operating days of each week [weeks].

    Cells as in ``fleet.cells()``; spare is what is above the least number, negative where it is not reached. Before any
    service.
    """
    cells, slots = fleet.cells(), fleet.slots
    counts: Mapping[tuple[str, str], Ints] = fleet.count()
    operating = slots.operating
    spare = np.zeros((len(cells), slots.count), np.int64)
    least = np.array([fleet.least.get(cell, 0) for cell in cells], np.int64)
    days = np.zeros(slots.count, np.int64)
    for week in range(slots.count):
        of_week = np.arange(week * DAYS_A_SLOT, min((week + 1) * DAYS_A_SLOT, slots.days))
        of_week = of_week[operating[of_week]]
        days[week] = len(of_week)
        for n, cell in enumerate(cells):
            spare[n, week] = (counts[cell][of_week].min() if len(of_week) else least[n]) - least[n]
    return spare, days
