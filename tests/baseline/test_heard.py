"""Over how long the neighbours are heard, whose control unit they are on, and a source that runs away."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.baseline.heard import WINDOW_SHARES, Known, heard, heard_by_readout
from analytics.baseline.location import robust_centre
from analytics.baseline.neighbours import neighbours, timelines
from tests.charts.plain_rows import plain_rows

CHECKS, WINDOW = 20, 35.0


def asked(y, *, readout=None, at_end=True):
    """Views of the others for the last check of the last probe; weekly, all on one source. y: [probes, checks]."""
    y = np.asarray(y, float)
    units, checks = y.shape
    at = np.concatenate([7.0 * np.arange(checks) + 0.02 * u for u in range(units)])
    of_row = None if readout is None else np.repeat(readout, checks)
    rows = plain_rows([checks] * units, y.ravel(), at, readout=of_row)
    q = np.array([len(at) - 1])
    views = neighbours(
        timelines(rows, np.full(len(at), 1e-4), 1), rows.source[q], rows.at_days[q], rows.probe[q], rows.jig[q],
        rows.readout[q], rows.unit_probe, [share * WINDOW for share in WINDOW_SHARES])
    return views, views[0].unit >= 0, rows.readout[q]


def known(units):
    """Every anchor at 0, well known; placing 1 %."""
    return Known(np.zeros(units), np.full(units, 0.002**2), np.full(units, 0.01**2))


def noisy(units, seed=1):
    """Sound probes."""
    return 0.01 * np.random.default_rng(seed).standard_normal((units, CHECKS))


def test_without_a_jump_the_whole_window_is_heard():
    """Five checks of each of six neighbours: the robust centre of their means over the window."""
    y = noisy(7)
    views, use, _ = asked(y)
    said = heard(views, use, known(7), 3)
    assert said.centre.value[0] == pytest.approx(y[:-1, -5:].mean(), abs=0.002)
    assert views[0].checks[use[:, 0], 0].tolist() == [5.0] * 6


@pytest.mark.parametrize("ago", [1, 2, 3])
def test_after_a_jump_only_what_came_later_is_heard(ago):
    """All step by 6 % so many weeks ago: all of it is heard, and nothing of before."""
    y = noisy(7)
    y[:, -ago:] -= 0.06
    views, use, _ = asked(y)
    assert heard(views, use, known(7), 3).centre.value[0] == pytest.approx(-0.06, abs=0.012)


def test_one_neighbour_that_jumps_shortens_nothing():
    """One of six steps by 20 %: the others are heard over the whole window, and say that nothing moved."""
    y = noisy(7)
    y[0, -2:] -= 0.2
    views, use, _ = asked(y)
    said = heard(views, use, known(7), 3)
    assert said.centre.value[0] == pytest.approx(0.0, abs=0.006)


@pytest.mark.parametrize(("moved", "expected"), [(1, -0.07), (0, 0.0)])
def test_a_control_unit_that_moved_takes_its_own_probes_along(moved, expected):
    """Half of eight probes are on the unit that stepped: a probe on it hears −7 %, one on the other hears nothing."""
    y = noisy(8)
    unit = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    y[unit == moved, -8:] -= 0.07  # the last probe, which asks, is on unit 1
    views, use, readout = asked(y, readout=unit)
    said = heard_by_readout(views, use, readout, known(8), 3)
    assert said.centre.value[0] == pytest.approx(expected, abs=0.012)


def test_five_against_four_far_off_are_not_sure_and_nine_against_one_are():
    """The error of the centre is a good part of the gap in the one case, and hardly any of it in the other."""
    for kept, rejected, low, high in ((5, 4, 0.25, 0.7), (9, 1, 0.0, 0.03)):
        made = robust_centre(np.array([0.0] * kept + [0.2] * rejected)[:, None], np.full((kept + rejected, 1), 1e-5))
        assert abs(made.value[0]) < 0.01
        assert low <= np.sqrt(made.variance[0]) / 0.2 <= high
