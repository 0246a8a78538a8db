"""No net counts: once asks for a repeat, twice in a row is an alarm, a count again settles it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from analytics.charts.no_signal import no_signal_openings


def states(series, check, silent):
    """The states that the rule reads, a day apart."""
    at = np.datetime64("2024-01-01", "us") + np.arange(len(series)) * np.timedelta64(1, "D")
    return SimpleNamespace(
        series=np.array(series, np.int32), check=np.array(check, np.int64), check_at=at,
        no_signal=np.array(silent, bool))


def found(series, check, silent):
    """(row, settled or not) of every opening, and the series that are silent now."""
    openings, newest = no_signal_openings(states(series, check, silent))
    return [(one.row, one.settled_days is not None) for one in openings], newest.tolist()


@pytest.mark.parametrize(("silent", "openings", "now"), [
    ([0, 0, 0, 0], [], []),
    ([0, 0, 0, 1], [], [0]),
    ([0, 1, 0, 1], [], [0]),
    ([0, 0, 1, 1], [(3, False)], [0]),
    ([1, 1, 1, 1], [(1, False)], [0]),
    ([1, 1, 0, 0], [(1, True)], []),
    ([1, 1, 0, 1], [(1, True)], [0]),
])
def test_twice_in_a_row(silent, openings, now):
    """The second silent check in a row opens, the next with signal settles; silent now asks for a repeat."""
    assert found([0] * 4, range(4), silent) == (openings, now)


def test_two_silences_with_a_count_between_are_two_openings():
    """After it settled it opens again at the next two in a row."""
    assert found([0] * 5, range(5), [1, 1, 0, 1, 1]) == ([(1, True), (4, False)], [0])


def test_series_do_not_see_each_other():
    """The last silent check of one series and the first of the next are not two in a row."""
    assert found([0, 0, 1, 1], range(4), [0, 1, 1, 0]) == ([], [0])


def test_a_check_that_comes_in_parts_is_judged_by_its_last_state():
    """Silent at first and counted a moment later: not silent; silent all along is one check and not two."""
    assert found([0, 0, 0], [0, 1, 1], [0, 1, 0]) == ([], [])
    assert found([0, 0, 0], [0, 1, 1], [0, 1, 1]) == ([], [0])
    assert found([0, 0, 0], [0, 1, 1], [1, 1, 1])[0] == [(1, False)]


def test_nothing():
    """No check, no opening."""
    assert found([], [], []) == ([], [])
