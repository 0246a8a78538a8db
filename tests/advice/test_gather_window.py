"""What the looks at the photopeak say when the newest cannot be compared with those before it on one scale."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from analytics.advice.causes import cause_probabilities
from analytics.advice.evidence import Evidence
from analytics.advice.gather import _window, reference_since

LEVEL = {"change_point", "action_level", "tolerance"}
NAN = np.nan


def looked(values, units, *, log=None, centres=None, z=None, rules=frozenset(), onset=300.0):
    """Evidence after looks half a year apart. units: reference epoch twice, plus one on the logarithmic scale."""
    units = np.array(units)
    n = len(units)
    log_scale = units % 2 == 1 if log is None else np.array(log)
    chart = SimpleNamespace(
        quantity="window_shift", unit=units, log_scale=log_scale, series=np.zeros(n, int), value=np.array(values, float),
        centre=np.array(centres, float), sd=np.full(n, 0.4), at_days=182.0 * np.arange(n),
        chart=SimpleNamespace(z=np.array(z if z is not None else [NAN] * n, float)))
    e = Evidence("P", open_rules=set(LEVEL | rules), change_pct=-20.0, change_interval_pct=(-23.0, -17.0), moved=1.0, gradual=0.95,
                 probability_ramp=1.0, alarm_direction="low", onset_days=onset)
    _window(e, chart, np.arange(n), n - 1)
    return e


def test_a_photopeak_that_left_the_window_was_on_its_way():
    """Six looks fitted, the seventh beyond fitting: the newest fitted one speaks, and a slid window is the cause."""
    e = looked([0.6, 0.5, 0.6, 1.3, 3.6, 5.6, 3.7], [8] * 6 + [9], centres=[NAN] + [0.53] * 5 + [NAN],
               z=[NAN, -0.4, 0.1, 2.1, 4.1, 4.4, NAN], rules={"below_side_readings"})
    assert e.window_moved
    assert e.window_shift_pct == pytest.approx(5.07)
    made = cause_probabilities(e)
    assert max(made, key=made.get) == "window_slip"


def test_a_standing_alarm_of_the_window_speaks_though_nothing_can_be_compared():
    """One look on a scale of its own, nothing before it: the alarm that stands is enough."""
    assert looked([3.4], [9], centres=[NAN], rules={"window_shift"}).window_moved
    assert looked([3.4], [9], centres=[NAN]).window_moved is None


@pytest.mark.parametrize(("newest", "moved"), [(3.65, True), (1.2, False)])
def test_the_first_look_after_a_service_is_held_against_where_the_window_was(newest, moved):
    """A service that left the photopeak 3.4 % off did not bring it back; within what a service leaves, nothing is said against it."""
    e = looked([0.3, 0.2, 0.2, 2.9, 6.2, newest], [8] * 5 + [10], centres=[NAN] + [0.28] * 4 + [NAN],
               z=[NAN, -0.2, -0.2, 8.2, 16.9, NAN], onset=920.0 - 60.0)
    assert e.window_moved is moved


def test_on_another_scale_the_first_look_after_a_service_says_nothing():
    """A logarithm of a ratio cannot be held against what a service leaves in per cent: not moved would be as unfounded as moved."""
    assert looked([0.1, 0.1, 0.1, 0.9], [9, 9, 9, 11], centres=[NAN, 0.1, 0.1, NAN], z=[NAN, 0.0, 0.0, NAN]).window_moved is None


def test_an_alarm_of_scatter_alone_is_no_shield():
    """The checks have calmed down and the alarm still stands: what was not looked at does not win by that."""
    made = cause_probabilities(Evidence("P", open_rules={"scatter"}, scatter_high=True, spread_about_course=1.0))
    assert made["shield"] < 0.1
    assert max(made, key=made.get) != "shield"


def test_a_look_from_before_a_new_reference_says_nothing_of_the_probe_as_it_is():
    """References hold from the first check of the unit on; of one that a service ended and nobody has read since, from the service on."""
    rows = SimpleNamespace(first_days=np.array([10.0, 20.0, 400.0]), unit_first=np.array([0, 2, 3]))
    charts = SimpleNamespace(rows=rows, unit_ends=np.array([380.0, np.inf]))
    assert reference_since(charts, np.array([1])) == pytest.approx(399.5)
    assert reference_since(charts, np.array([0])) == 380.0
    assert reference_since(charts, np.array([], int)) == -np.inf
