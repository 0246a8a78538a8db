"""Over how long the neighbours are heard, whose control unit they are on, and a source that runs away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.baseline.heard import WINDOW_SHARES, Known, Queries, steep_slopes, what_is_shared
from analytics.baseline.location import robust_centre
from analytics.baseline.neighbours import timelines
from tests.baseline.plain_heard import heard_by_readout, neighbours, one_witness
from tests.charts.plain_rows import plain_rows

CHECKS, WINDOW, LEAST = 20, 35.0, 3


def asked(y, *, readout=None, probe=None):
    """What the last check of the last unit hears; weekly, all on one source, every anchor 0. y: [units, checks]; probe: of each."""
    y = np.asarray(y, float)
    units, checks = y.shape
    at = np.concatenate([7.0 * np.arange(checks) + 0.02 * u for u in range(units)])
    of_row = None if readout is None else np.repeat(readout, checks)
    rows = plain_rows([checks] * units, y.ravel(), at, readout=of_row, **({} if probe is None else {"probe": probe}))
    q = np.array([len(at) - 1])
    query = Queries(rows.source[q], rows.at_days[q], rows.probe[q], rows.jig[q], rows.readout[q])
    lines = timelines(rows, np.full(len(at), 1e-4), 1)
    return what_is_shared(lines, query, np.zeros(1), known(units), np.ones(units, bool), rows.unit_probe, WINDOW, LEAST)


def known(units):
    """Every anchor at 0, well known; placing 1 %."""
    return Known(np.zeros(units), np.full(units, 0.002**2), np.full(units, 0.01**2))


def noisy(units, seed=1):
    """Sound probes."""
    return 0.01 * np.random.default_rng(seed).standard_normal((units, CHECKS))


def test_without_a_jump_the_whole_window_is_heard():
    """Five checks of each of six neighbours: the robust centre of their means over the window."""
    y = noisy(7)
    said = asked(y)
    assert said.value[0] == pytest.approx(y[:-1, -5:].mean(), abs=0.002)
    assert said.speakers.tolist() == [6]


@pytest.mark.parametrize("ago", [1, 2, 3])
def test_after_a_jump_only_what_came_later_is_heard(ago):
    """All step by 6 % so many weeks ago: all of it is heard, and nothing of before."""
    y = noisy(7)
    y[:, -ago:] -= 0.06
    assert asked(y).value[0] == pytest.approx(-0.06, abs=0.012)


def test_one_neighbour_that_jumps_shortens_nothing():
    """One of six steps by 20 %: the others are heard over the whole window, and say that nothing moved."""
    y = noisy(7)
    y[0, -2:] -= 0.2
    assert asked(y).value[0] == pytest.approx(0.0, abs=0.006)


@pytest.mark.parametrize(("moved", "expected"), [(1, -0.07), (0, 0.0)])
def test_a_control_unit_that_moved_takes_its_own_probes_along(moved, expected):
    """Half of eight probes are on the unit that stepped: a probe on it hears −7 %, one on the other hears nothing."""
    y = noisy(8)
    unit = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    y[unit == moved, -8:] -= 0.07  # the last probe, which asks, is on unit 1
    assert asked(y, readout=unit).value[0] == pytest.approx(expected, abs=0.012)


def test_a_probe_read_in_two_windows_is_one_witness():
    """One of six neighbours, read in two windows, stepped by 20 %: it is heard as one, and is no majority of the newest checks."""
    y = noisy(8)
    probe = [0, 0, *range(1, 7)]
    y[:2, -3:] -= 0.2
    y[2:-1, -1:] = y[2:-1, -2:-1]
    said = asked(y, probe=probe)
    assert said.speakers.tolist() == [6]
    assert said.value[0] == pytest.approx(0.0, abs=0.01)
    two = asked(noisy(4), probe=[0, 0, 1, 1])
    assert two.speakers.tolist() == [1]


def test_two_windows_of_one_probe_do_not_speak_for_a_control_unit():
    """On the unit of the last probe only one other was read since it stepped, in two windows: its step is nobody else's."""
    y = noisy(9)
    unit = np.array([1, 1, 0, 0, 0, 0, 1, 1, 1])
    y[:2, -1:] -= 0.19
    said = asked(y, readout=unit, probe=[0, 0, *range(1, 8)])
    assert said.value[0] == pytest.approx(0.0, abs=0.012)


def test_five_against_four_far_off_are_not_sure_and_nine_against_one_are():
    """The error of the centre is a good part of the gap in the one case, and hardly any of it in the other."""
    for kept, rejected, low, high in ((5, 4, 0.25, 0.7), (9, 1, 0.0, 0.03)):
        made = robust_centre(np.array([0.0] * kept + [0.2] * rejected)[:, None], np.full((kept + rejected, 1), 1e-5))
        assert abs(made.value[0]) < 0.01
        assert low <= np.sqrt(made.variance[0]) / 0.2 <= high


@pytest.mark.parametrize("seed", range(4))
def test_the_compiled_loops_say_what_whole_arrays_say(seed):
    """A crowd on three sources, two jigs and three control units, with steps, units that are not ready and gaps: the same to rounding."""
    rng = np.random.default_rng(seed)
    units, sources = 24, 3
    lengths = rng.integers(2, 60, units)
    n = int(lengths.sum())
    at = np.concatenate([np.sort(rng.uniform(0, 300, m)) for m in lengths])
    y = 0.01 * rng.standard_normal(n) - 0.08 * (at > 150) * (np.repeat(rng.integers(0, 3, units), lengths) == 1)
    rows = plain_rows(
        lengths, y, at, source=rng.integers(0, sources, n), probe=np.sort([*range(18), *range(6)]), jig=rng.integers(0, 2, units),
        readout=np.where(rng.random(n) < 0.1, -1, np.repeat(rng.integers(0, 3, units), lengths)))
    lines = timelines(rows, rng.uniform(1e-5, 1e-3, n), sources)
    facts = Known(0.003 * rng.standard_normal(units), rng.uniform(1e-6, 1e-4, units), rng.uniform(1e-5, 4e-4, units))
    ready = rng.random(units) < 0.9
    query = (rows.source, rows.at_days, rows.probe, rows.jig, rows.readout)
    slope = np.array([0.0, 0.001, 0.0])
    said = what_is_shared(lines, Queries(*query), slope, facts, ready, rows.unit_probe, WINDOW, LEAST)
    views = neighbours(lines, *query, rows.unit_probe, [share * WINDOW for share in WINDOW_SHARES])
    views = [
        replace(one, mean=one.mean + np.where(slope[rows.source] != 0, slope[rows.source] * (rows.at_days - one.when), 0.0))
        for one in views
    ]
    may = one_witness(views[0], (views[0].unit >= 0) & ready[views[0].unit], facts, rows.unit_probe)
    beside = may & views[0].same_jig
    use = np.where(beside.sum(axis=0) >= LEAST - 1, beside, may)
    plain = heard_by_readout(views, use, rows.readout, facts, LEAST)
    np.testing.assert_array_equal(said.speakers, plain.use.sum(axis=0))
    for made, wanted in (
        (said.value, plain.centre.value), (said.variance, plain.centre.variance), (said.lasting_share, plain.lasting_share)
    ):
        np.testing.assert_allclose(made, wanted, rtol=1e-9, atol=1e-12)
    assert (np.abs(said.value) > 0.05).any()


def test_a_source_that_runs_away_is_followed_and_a_knock_is_not():
    """All eight probes fall by 0.3 % a day: that slope, to a fiftieth. All step by 6 % once: none."""
    at = np.tile(7.0 * np.arange(CHECKS), 8) + np.repeat(0.02 * np.arange(8), CHECKS)
    for y, slope in ((-0.003 * at, -0.003), (-0.06 * (at > 95.0), 0.0)):
        rows = plain_rows([CHECKS] * 8, y, at)
        lines = timelines(rows, np.full(len(at), 1e-5), 1)
        made = steep_slopes(lines, 140.0, known(8), np.ones(8, bool), rows.unit_probe, WINDOW, LEAST)
        assert made.tolist() == pytest.approx([slope], rel=0.02)
