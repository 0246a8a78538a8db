"""Openings and their settling, against a walk over the rows one by one."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.charts.openings import REARM, first_rows, open_and_settle


def by_walking(ratio, good, least_open):
    """The same rule, row by row: closed and armed, open, closed and waiting to be armed again."""
    out, state, start = [], "armed", -1
    for row, (value, calm) in enumerate(zip(ratio, good, strict=True)):
        if state == "open" and row >= start + least_open and calm:
            out.append((start, row))
            state = "waiting"
        if state == "waiting" and value < REARM:
            state = "armed"
        if state == "armed" and value > 1.0:
            state, start = "open", row
    return [*out, (start, None)] if state == "open" else out


ROWS = st.lists(st.tuples(st.sampled_from([0.0, 0.5, 0.79, 0.81, 1.0, 1.01, 3.0]), st.booleans()), max_size=40)


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(rows=ROWS, least_open=st.integers(1, 6))
def test_openings_are_those_of_a_walk(rows, least_open):
    """Every opening and settling is that of the rule walked row by row."""
    ratio, good = np.array([one for one, _ in rows]), np.array([one for _, one in rows], bool)
    assert open_and_settle(ratio, good, least_open) == by_walking(ratio, good, least_open)


@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(rows=ROWS, cut=st.integers(0, 40))
def test_openings_are_never_in_hindsight(rows, cut):
    """Openings of the first rows are those that all rows give, settling aside."""
    ratio, good = np.array([one for one, _ in rows]), np.array([one for _, one in rows], bool)
    whole = [start for start, _ in open_and_settle(ratio, good, 2) if start < cut]
    assert [start for start, _ in open_and_settle(ratio[:cut], good[:cut], 2)] == whole


def test_it_opens_above_one_and_not_at_one():
    """A statistic at its threshold does not signal yet."""
    calm = np.zeros(3, bool)
    assert open_and_settle(np.array([0.0, 1.0, 1.0]), calm) == []
    assert open_and_settle(np.array([0.0, 1.0, 1.0 + 1e-9]), calm) == [(2, None)]


def test_it_stays_open_for_a_while_and_opens_again_only_after_falling():
    """Good rows before ``least_open`` do not settle it; hovering above 0.8 does not open it again."""
    good = np.ones(8, bool)
    assert open_and_settle(np.array([2.0, 0, 0, 0, 0, 0, 0, 0]), good, 6) == [(0, 6)]
    assert open_and_settle(np.array([2.0, 2.0, 0.9, 2.0, 2.0, 0.1, 2.0, 0.0]), good, 1) == [(0, 1), (6, 7)]


def test_units_with_a_flag():
    """Each unit that has a flagged row once, in order; none where nothing is flagged."""
    assert first_rows(np.array([True, True, False, True]), np.array([4, 4, 5, 2])).tolist() == [2, 4]
    assert first_rows(np.zeros(3, bool), np.arange(3)).tolist() == []
