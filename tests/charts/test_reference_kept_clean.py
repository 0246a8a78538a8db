"""A fault that begins while a reference forms does not become the reference."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.charts.levels import level_chart


def chart(values, **how):
    """The chart of one unit of background-like readings with unit variance."""
    n = len(values)
    given = {
        "prior_spread": 0.05, "reference_readings": 20, "arl0": np.full(n, 2000.0), "least_effect": np.zeros(n),
        "relative": True, "sides": (1,), "least_ratio": 1.3}
    return level_chart(np.zeros(n, np.int64), np.array(values, float), np.full(n, 0.01), **{**given, **how})


def test_an_alarm_stands_while_the_fault_does():
    """Four sound readings, then twenty high ones: each signals against the four; taken in, they would be the reference."""
    values = [3.0, 3.1, 2.9, 3.0, *[9.0] * 20]
    kept = chart(values)
    assert (kept.ratio[4:] > 1.0).all()
    assert kept.centre[-1] == pytest.approx(3.0, abs=0.1)
    assert kept.reference_readings[-1] == 4
    taken_in = chart(values, least_ratio=None)
    assert taken_in.ratio[-1] < 1.0


def test_one_bad_first_reading_does_not_keep_the_others_out():
    """A first reading of nearly nothing: once three more are there, the rest are as usual."""
    late = chart([0.2, *[3.0, 3.1, 2.9] * 6])
    assert (late.ratio[4:] < 1.0).all()


def test_sound_readings_are_charted_as_without():
    """Where nothing signals, nothing is kept out, and the two charts are one."""
    values = np.random.default_rng(1).normal(3.0, 0.1, 40)
    one, other = chart(values), chart(values, least_ratio=None)
    assert (other.ratio < 1.0).all()
    assert np.array_equal(one.z[1:], other.z[1:])


def test_what_came_later_changes_nothing():
    """Each row is what it was on its day: the chart of the first readings is the beginning of the chart of all."""
    values = [3.0, 3.1, 2.9, 3.0, 9.0, 3.0, 9.2, 9.1, 3.0, 3.1, 9.0]
    whole = chart(values)
    for n in range(2, len(values)):
        part = chart(values[:n])
        assert np.array_equal(part.ratio, whole.ratio[:n])
        assert np.array_equal(part.centre[1:], whole.centre[1:n])
