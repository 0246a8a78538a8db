"""Sums over the checks of a response along sliding windows, as a compiled loop; ``shift`` says what they are for."""

from __future__ import annotations

import numpy as np

from analytics.baseline.rows import Floats
from analytics.compiled import compiled


@compiled
def along(
    table: Floats, reach_pct: float, start_pct: Floats, slope: Floats, elapsed_days: Floats, weight: Floats, x: Floats
) -> tuple[Floats, Floats]:
    """Σ w c x and Σ w (c − c̄)² of the window model's change c of every onset and slope; arrays [onsets, slopes].

    table: ln(response) at evenly spaced shifts from −reach to reach; beyond, its ends. start_pct: [onsets, slopes] shift
    before the onset; elapsed_days: [onsets, checks] since the onset, 0 before it. x: with a weighted mean of 0.
    """
    onsets, slopes = start_pct.shape
    last = len(table) - 1
    per_pct = last / (2.0 * reach_pct)
    with_x, square = np.zeros((onsets, slopes)), np.zeros((onsets, slopes))
    for onset in range(onsets):
        for k in range(slopes):
            first = total = weights = 0.0
            for check in range(len(x)):
                place = (start_pct[onset, k] + slope[k] * elapsed_days[onset, check] + reach_pct) * per_pct
                place = min(max(place, 0.0), last - 0.001)
                below = int(place)
                part = place - below
                change = table[below] * (1.0 - part) + table[below + 1] * part
                if check == 0:
                    first = change
                change -= first  # small numbers, so that the square loses nothing
                weights += weight[check]
                total += weight[check] * change
                square[onset, k] += weight[check] * change**2
                with_x[onset, k] += weight[check] * change * x[check]
            square[onset, k] -= total**2 / weights
    return with_x, square
