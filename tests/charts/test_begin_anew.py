"""A change that is over does not stay in what the level is judged by."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.charts.begin_anew import Back, begun_anew
from analytics.charts.core import chart_of, core_inputs
from analytics.charts.levels_reached import recent_deviation
from analytics.charts.openings import open_and_settle
from analytics.charts.running import running_sums
from tests.charts.plain_rows import plain_rows

NOISE_SD = 0.015
SIX = 6


def charted(y, *, calm=True, anew=True):
    """Ratios of falls and rises and the rows that settle them, of one series with a reference of 0 known to 0.3 %."""
    y = np.asarray(y, float)
    n = len(y)
    rows, noise, known = plain_rows([n], y), np.full(n, NOISE_SD**2), np.ones(n, bool)
    sums = running_sums(rows, y, noise, known, ~known)
    given = core_inputs(
        rows, y, noise, np.zeros(n), sums, np.zeros(n), np.full(n, 9e-6), (np.full(n, 500.0), np.full(n, 500.0)), 0.005, 2)
    chart = chart_of(rows.unit_first, given)
    deviation, error = recent_deviation(rows, sums, y[:1], np.zeros(n), SIX)
    within = np.maximum(0.005, 1.5 * error)
    near = deviation >= -within, deviation <= within
    settle = near[0] & (chart.ratio_low < 0.5), near[1] & (chart.ratio_high < 0.5)
    if anew:
        chart, settle = begun_anew(rows, given, chart, near, Back(deviation, error, np.full(n, calm), SIX))
    return chart, settle


def alarms(chart, settle, side):
    """(row that opened, row that settled) of one side."""
    ratio = (chart.ratio_low, chart.ratio_high)[side]
    return open_and_settle(ratio, settle[side], SIX)


def cut_out(good_after, seed=1):
    """Thirty good checks, ten that a contact spoiled, and so many good ones."""
    rng = np.random.default_rng(seed)
    level = np.concatenate([np.zeros(30), np.full(10, -0.18), np.zeros(good_after)])
    return level + NOISE_SD * rng.standard_normal(len(level))


def test_what_came_back_is_settled_and_leaves_nothing_behind():
    """The fall is settled within a dozen good checks, and so is the rise that the return is against it; by the likelihood alone it would stand for a year."""
    y = cut_out(60)
    ((opened, settled),) = alarms(*charted(y), side=0)
    assert 30 <= opened <= 33
    assert 45 <= settled <= 52
    assert all(end is not None and end <= 56 for _, end in alarms(*charted(y), side=1))
    stands = alarms(*charted(y, anew=False), side=0)
    assert stands[0][1] is None or stands[0][1] > 80


def test_a_new_fall_behind_it_is_seen_as_soon_as_a_first_one():
    """Thirty good checks after the return the level steps by 4 %: an alarm of its own, as in a series that never fell."""
    rng = np.random.default_rng(2)
    step = -0.04 * (np.arange(60) >= 30) + NOISE_SD * rng.standard_normal(60)
    again = np.concatenate([cut_out(0), step])
    fresh = np.concatenate([NOISE_SD * np.random.default_rng(1).standard_normal(30), step])
    first, second = alarms(*charted(fresh), side=0)[0][0] - len(fresh), alarms(*charted(again), side=0)[1][0] - len(again)
    assert second == pytest.approx(first, abs=1)


def test_a_change_that_stays_is_not_settled():
    """A loss of 5 % that lasts, and one that comes back by half: both stand."""
    for left in (-0.05, -0.025):
        rng = np.random.default_rng(3)
        y = np.concatenate([np.zeros(30), np.full(12, -0.05), np.full(40, left)]) + NOISE_SD * rng.standard_normal(82)
        found = alarms(*charted(y), side=0)
        assert found[-1][1] is None


def test_it_waits_until_the_checks_are_calm():
    """While checks still scatter the alarm stands: the contact may cut out again."""
    y = cut_out(25)
    assert alarms(*charted(y, calm=False), side=0)[0][1] is None


def test_nothing_is_decided_in_hindsight():
    """Every row says the same whether or not later checks have come."""
    y = cut_out(40, seed=4)
    whole, settle = charted(y)
    for end in (36, 45, 47, 50, 60, 79):
        part, part_settle = charted(y[:end])
        for name in ("ratio_low", "ratio_high", "change_low", "onset_row_low"):
            assert np.array_equal(getattr(part, name), getattr(whole, name)[:end]), name
        assert all(np.array_equal(a, b[:end]) for a, b in zip(part_settle, settle, strict=True))
