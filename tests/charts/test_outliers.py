"""A check far from its neighbours is a blunder until the next one confirms it."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.charts.outliers import ALIKE, CONFIRMS, LOOK_BACK, find_outliers
from analytics.charts.thresholds import FAR
from tests.charts.plain_rows import plain_rows

SD = 0.01


def looked_at(*units, noise=SD**2):
    """Outliers of units given by their values."""
    x = np.concatenate([np.asarray(one, float) for one in units]) if units else np.zeros(0)
    rows = plain_rows([len(one) for one in units], x)
    return find_outliers(rows, x, np.full(len(x), noise), np.zeros(len(x)))


def calm(n, seed=1):
    """So many quiet checks."""
    return 0.3 * SD * np.random.default_rng(seed).standard_normal(n)


def test_z_is_against_the_median_of_the_checks_before():
    """Level: median of the five before; variance: noise + π/2 · noise / 5; none before the fourth check."""
    x = np.array([0.01, -0.02, 0.015, 0.0, 0.03, -0.01, 0.05, 0.02])
    made = looked_at(x)
    assert np.isnan(made.z_local[:3]).all()
    for i in range(3, 8):
        before = x[max(0, i - LOOK_BACK) : i]
        assert made.level[i] == pytest.approx(np.median(before))
        spread = SD * np.sqrt(1 + 0.5 * np.pi / len(before))
        assert made.z_local[i] == pytest.approx((x[i] - np.median(before)) / spread)


def test_a_lone_outlier_is_held_back():
    """Far off, and back at the next check: pending when it came, lone for good, never admitted; the rest is."""
    x = calm(20)
    x[12] = -0.2
    made = looked_at(x)
    assert np.flatnonzero(made.pending).tolist() == [12]
    assert np.flatnonzero(made.lone).tolist() == [12]
    assert np.flatnonzero(~made.admitted).tolist() == [12]


def test_two_alike_in_a_row_are_admitted_both():
    """Far off twice on the same side by about as much: the first was pending, the second is not, both speak."""
    x = calm(20)
    x[12:14] = -0.2, -0.18
    made = looked_at(x)
    assert np.flatnonzero(made.pending).tolist() == [12]
    assert not made.lone.any()
    assert made.admitted.all()


@pytest.mark.parametrize(("second", "why"), [(0.2, "other side"), (-0.2 * ALIKE * 0.8, "much smaller")])
def test_what_differs_does_not_confirm(second, why):
    """On the other side, or much smaller: neither confirms the other."""
    x = calm(20)
    x[12:14] = -0.2, second
    made = looked_at(x)
    assert not made.admitted[12], why
    assert made.lone[12]


def test_a_lesser_deviation_confirms_a_greater_one():
    """One beyond the outlier limit, the next less far but alike: two of a kind."""
    x = np.zeros(20)
    far = (FAR + 1.0) * SD * np.sqrt(1 + 0.5 * np.pi / LOOK_BACK)
    x[12:14] = far, far * max(1.05 * CONFIRMS / (FAR + 1.0), ALIKE + 0.1)
    made = looked_at(x)
    assert made.admitted.all()
    assert not made.lone.any()


def test_the_newest_check_far_off_is_pending():
    """With nothing after it, it waits: pending, not admitted, lone as far as is known."""
    x = np.append(calm(10), 0.3)
    made = looked_at(x)
    assert (made.pending[-1], made.admitted[-1], made.lone[-1]) == (True, False, True)


def test_the_first_five_are_held_against_their_own_median():
    """A blunder among the first five is found once there are five, and before that is in nobody's way."""
    for place in range(5):
        x = calm(12, seed=place)
        x[place] = 0.4
        assert np.flatnonzero(looked_at(x).lone).tolist() == [place]
    assert not looked_at([0.0, 0.4, 0.0]).lone.any()


def test_a_step_is_confirmed_and_not_held_back():
    """After a step the second check confirms the first, and all after it are admitted."""
    x = calm(30)
    x[15:] -= 0.1
    made = looked_at(x)
    assert made.admitted.all()
    assert np.flatnonzero(made.pending).tolist() == [15]


def test_units_do_not_see_each_other():
    """The last of one unit confirms nothing in the next, and each unit reads as it does alone."""
    one, other = np.append(calm(10), 0.3), np.append(0.3, calm(10, seed=2))
    together, first, second = looked_at(one, other), looked_at(one), looked_at(other)
    assert together.lone.tolist() == [*first.lone, *second.lone]
    assert np.array_equal(together.z_local, np.append(first.z_local, second.z_local), equal_nan=True)


def test_what_was_pending_stays_so_whatever_follows():
    """``pending`` is what was known when the check came: later checks change it for none before them."""
    x = calm(30, seed=3)
    x[[8, 9, 20, 29]] = 0.2, 0.21, -0.3, 0.2
    whole = looked_at(x)
    for n in (6, 9, 10, 21, 29):
        part = looked_at(x[:n])
        assert (part.pending[5:] == whole.pending[5:n]).all()
        assert np.array_equal(part.z_local, whole.z_local[:n], equal_nan=True)


def test_nothing_and_little():
    """No check, or one: no z, nothing pending."""
    assert len(looked_at().lone) == 0
    one = looked_at([1.0])
    assert (one.pending.tolist(), one.admitted.tolist(), one.lone.tolist()) == ([False], [True], [False])
