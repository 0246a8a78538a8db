"""A window check whose centred counting was a blunder says nothing of where the window stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analytics.charts.openings import Opening
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts


def settle_blundered(quantities: Sequence[QuantityChart], charts: ResponseCharts) -> list[QuantityChart]:
    """The charts, with every ``below_side_readings`` settled by the check that shows its centred counting to have been a blunder.

    The response of such a check lay far off and alone: the next check of the series was as ever, and the window with it.
    Until that one comes the alarm stands, since nobody knows yet.
    """
    return [
        replace(one, openings=[_settled(opening, one, charts) for opening in one.openings])
        if any(opening.rule == "below_side_readings" for opening in one.openings)
        else one
        for one in quantities
    ]


def _settled(opening: Opening, chart: QuantityChart, charts: ResponseCharts) -> Opening:
    if opening.rule != "below_side_readings":
        return opening
    rows = charts.rows
    # A check may be centred in several jigs or on several sources, one series each; one that stands alone is enough.
    mine = np.flatnonzero((rows.check == chart.check[opening.row]) & rows.last & charts.outliers.lone & (charts.outliers.z_local < 0))
    later = []
    for row in mine:
        rest = slice(row + 1, rows.unit_first[rows.unit[row] + 1])
        whole = np.flatnonzero(rows.last[rest] & ~rows.partial[rest])
        later += rows.at_days[rest][whole[:1]].tolist()
    if not later:
        return opening
    return replace(opening, settled_days=min([*later, np.inf if opening.settled_days is None else opening.settled_days]))
