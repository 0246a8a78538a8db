"""Net counts below the decision limit: once asks for a repeat, twice in a row is an alarm."""

from __future__ import annotations

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints, days
from analytics.charts.openings import Opening
from analytics.counting.tables import Responses


def no_signal_openings(states: Responses) -> tuple[list[Opening], Ints]:
    """Openings by series (``row`` is the row of the states), and the series whose newest check shows no signal.

    A check is judged by its last state; a state tips the alarm when the check before, and the check itself so far, show
    no signal. A later check with signal settles it.
    """
    n = len(states.series)
    at: Floats = days(states.check_at)
    silent: Bools = states.no_signal
    new_check = np.ones(n, bool)
    new_check[1:] = (np.diff(states.check) != 0) | (np.diff(states.series) != 0)
    last = np.ones(n, bool)
    last[:-1] = new_check[1:]
    openings: list[Opening] = []
    newest: list[int] = []
    for series in np.unique(states.series[silent]):
        rows = np.flatnonzero(states.series == series)
        before: bool = False
        open_row: int | None = None
        state_before = False
        for row in rows:
            if new_check[row]:
                before = state_before
            if silent[row] and before and open_row is None:
                open_row = int(row)
            if last[row]:
                state_before = bool(silent[row])
                if not silent[row] and open_row is not None:
                    openings.append(_opening(int(series), open_row, at, float(at[row])))
                    open_row = None
        if open_row is not None:
            openings.append(_opening(int(series), open_row, at, None))
        if silent[rows[-1]]:
            newest.append(int(series))
    return openings, np.array(newest, np.int64)


def _opening(series: int, row: int, at: Floats, settled: float | None) -> Opening:
    return Opening(series, "no_signal", row, float(at[row]), None, settled, "low", -1.0, "")
