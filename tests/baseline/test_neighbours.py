"""What the other probes read lately: running sums against plain loops over the readings."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.baseline.neighbours import timelines
from analytics.baseline.rows import Rows
from tests.baseline.plain_heard import neighbours
from tests.charts.plain_rows import plain_rows


def crowd(seed=1, units=7, sources=3):
    """Units of one probe each (two of the same), read at random on three sources in two jigs."""
    rng = np.random.default_rng(seed)
    lengths = rng.integers(1, 25, units)
    at = np.concatenate([np.sort(rng.uniform(0, 200, n)) for n in lengths])
    n = int(lengths.sum())
    rows = plain_rows(
        lengths, rng.normal(1.0, 0.3, n), at, source=rng.integers(0, sources, n),
        probe=[0, 0, *range(1, units - 1)], jig=rng.integers(0, 2, units))
    return rows, rng.uniform(1e-4, 1e-3, n)


def by_loops(rows, variance, source, at, probe, window):
    """{unit: (checks, mean, variance)} of every unit of another probe with readings on the source in the window."""
    found = {}
    for u in range(rows.units):
        if rows.unit_probe[u] == probe:
            continue
        mine = (rows.unit == u) & (rows.source == source) & (rows.at_days > at - window) & (rows.at_days <= at)
        if mine.any():
            found[u] = (mine.sum(), rows.y[mine].mean(), variance[mine].mean())
    return found


@pytest.mark.parametrize("window", [5.0, 35.0, 500.0])
def test_window_means_are_those_of_a_plain_loop(window):
    """Checks, mean and variance of every neighbour of every query, for short, usual and endless windows."""
    rows, variance = crowd()
    lines = timelines(rows, variance, 3)
    made = neighbours(lines, rows.source, rows.at_days, rows.probe, rows.jig, rows.readout, rows.unit_probe, [window])[0]
    for q in range(len(rows.unit)):
        wanted = by_loops(rows, variance, rows.source[q], rows.at_days[q], rows.probe[q], window)
        places = np.flatnonzero(made.unit[:, q] >= 0)
        assert sorted(made.unit[places, q]) == sorted(wanted)
        for place in places:
            checks, mean, spread = wanted[int(made.unit[place, q])]
            assert made.checks[place, q] == checks
            assert made.mean[place, q] == pytest.approx(mean, rel=1e-12)
            assert made.variance[place, q] == pytest.approx(spread, rel=1e-9)
            assert made.same_jig[place, q] == (rows.jig[rows.unit == made.unit[place, q]][0] == rows.jig[q])


def test_no_probe_speaks_for_itself():
    """Neither its own readings nor those of its earlier reference epochs are among the neighbours of a query."""
    rows, variance = crowd(2)
    made = neighbours(
        timelines(rows, variance, 3), rows.source, rows.at_days, rows.probe, rows.jig, rows.readout, rows.unit_probe, [500.0])[0]
    own = np.where(made.unit >= 0, rows.unit_probe[made.unit] == rows.probe[None, :], False)
    assert (made.unit >= 0).any()
    assert not own.any()


def test_readings_to_come_say_nothing():
    """Queries up to a moment read the same, to the last digit, from the timelines of that moment."""
    rows, variance = crowd(3)
    early = rows.at_days <= 110.0
    kept = np.array([int(early[rows.unit == u].sum()) for u in range(rows.units)])
    some = np.flatnonzero(kept > 0)
    part = plain_rows(
        kept[some], rows.y[early], rows.at_days[early], source=rows.source[early], probe=rows.unit_probe[some],
        jig=[rows.jig[rows.unit == u][0] for u in some])
    then = neighbours(
        timelines(part, variance[early], 3), part.source, part.at_days, part.probe, part.jig, part.readout, part.unit_probe, [35.0])[0]
    later = neighbours(
        timelines(rows, variance, 3), rows.source[early], rows.at_days[early], rows.probe[early], rows.jig[early],
        rows.readout[early], rows.unit_probe, [35.0])[0]
    for q in range(int(early.sum())):
        a = {int(some[u]): (then.mean[i, q], then.checks[i, q]) for i, u in enumerate(then.unit[:, q]) if u >= 0}
        b = {int(u): (later.mean[i, q], later.checks[i, q]) for i, u in enumerate(later.unit[:, q]) if u >= 0}
        assert a == b


def test_a_check_that_comes_in_parts_counts_once():
    """A check with two rows is one check, by its first value until the second is there, then by the second."""
    y, at = np.array([1.0, 1.2, 2.0]), np.array([10.0, 10.05, 11.0])
    rows = Rows(
        index=np.arange(3), unit=np.array([0, 0, 1]), series=np.array([0, 0, 1]), probe=np.array([0, 0, 1]),
        source=np.zeros(3, np.int64), jig=np.zeros(3, np.int64),
        readout=np.zeros(3, np.int64), check=np.array([0, 0, 1]), at_days=at,
        first_days=np.array([10.0, 10.0, 11.0]), y=y, first=np.array([True, False, True]),
        last=np.array([False, True, True]), ordinal=np.zeros(3, np.int64), partial=np.zeros(3, bool),
        unit_series=np.arange(2), unit_probe=np.arange(2), unit_first=np.array([0, 2, 3]))
    lines = timelines(rows, np.array([1e-4, 3e-4, 1e-4]), 1)
    one = np.ones(1, np.int64)
    for moment, mean, spread in ((10.01, 1.0, 1e-4), (10.05, 1.2, 3e-4), (20.0, 1.2, 3e-4)):
        made = neighbours(lines, 0 * one, np.array([moment]), one, 0 * one, 0 * one, rows.unit_probe, [35.0])[0]
        assert made.checks[made.unit >= 0].tolist() == [1.0]
        assert made.mean[0, 0] == pytest.approx(mean)
        assert made.variance[0, 0] == pytest.approx(spread)


def test_nobody_there():
    """No query, or a source that only the probe itself is read on: no neighbour, and no error."""
    rows, variance = crowd(4)
    lines = timelines(rows, variance, 3)
    none = np.zeros(0, np.int64)
    assert neighbours(lines, none, np.zeros(0), none, none, none, rows.unit_probe, [35.0])[0].unit.shape[1] == 0
    alone = plain_rows([5], np.ones(5))
    made = neighbours(
        timelines(alone, np.full(5, 1e-4), 1), alone.source, alone.at_days, alone.probe, alone.jig, alone.readout,
        alone.unit_probe, [35.0])[0]
    assert (made.unit < 0).all()
