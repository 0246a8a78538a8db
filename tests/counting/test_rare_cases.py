"""What seldom happens to counts: nothing counted, sources that never grow weak, windows that see no peak, records out of order."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from analytics.counting import make_half_lives
from analytics.counting.columns import _order
from analytics.counting.line_model import WindowSetup, forward
from analytics.counting.precision import chi_square, counting_time_s, too_weak_at
from analytics.counting.three_counts import rising_branch
from analytics.counting.window import _gain_at_border
from analytics.counting.window_width import _scan


def test_chi_square_of_one_counting_or_of_nothing_counted_is_none():
    """Σ(N − mean)²/mean needs two countings and something counted; else there is no number and no degree of freedom."""
    for counts in ([], [12.0], [0.0, 0.0, 0.0]):
        value, dof = chi_square(np.array(counts))
        assert np.isnan(value)
        assert dof == 0


def test_without_net_counts_no_time_is_long_enough():
    """Whatever the time, a net rate of nothing or less reaches no relative precision."""
    assert counting_time_s(0.0, 3.0, 0.01) == counting_time_s(-1.0, 3.0, 0.01) == float("inf")


def test_a_day_beyond_the_calendar_or_of_an_unknown_rate_is_no_day():
    """A long-lived source is too weak after more years than a calendar has; without a rate or half-life nothing is said."""
    start = datetime(2024, 1, 1)
    assert too_weak_at(1e6, start, 1.3e12) is None
    assert too_weak_at(0.0, start, 271.74) is None
    assert too_weak_at(float("nan"), start, 271.74) is None
    assert too_weak_at(1e4, start, float("nan")) is None


def test_a_ratio_that_only_falls_with_the_gain_tells_no_gain():
    """Windows far from the photopeak have no rising branch, and a fit there says of every check that it has settled on none."""
    falling = np.linspace(1.0, -1.0, 9)
    assert np.isnan(rising_branch(falling)).all()
    rises = rising_branch(np.array([0.5, -1.0, 0.0, 1.0, 0.2]))
    assert np.isnan(rises[[0, 4]]).all()
    np.testing.assert_allclose(rises[1:4], [-1.0, 0.0, 1.0], atol=1e-9)


@pytest.fixture
def blind(monkeypatch):
    """A window whose ratios do not tell the gain, and the modules that ask for them; what they keep of a setup put aside."""
    from analytics.counting import window, window_width

    kept = (window._border, window_width._made)
    for module in (window, window_width):
        monkeypatch.setattr(module, "rising_branch", lambda difference: np.full(len(difference), np.nan))
    for one in kept:
        one.cache_clear()
    yield WindowSetup.of("Co-57", 122.06, 20.0, 10.0)
    for one in kept:
        one.cache_clear()


def test_a_window_that_does_not_tell_the_gain_gives_neither_gain_nor_width(blind):
    """Nothing settles, and no width is possible."""
    gain, slope, settled = _gain_at_border(blind, np.array([0.1, -0.2]), 9.0)
    assert gain.tolist() == slope.tolist() == [1.0, 1.0]
    assert not settled.any()
    y, variance = np.array([[-0.5, -0.4]]), np.array([[[0.01, 0.0], [0.0, 0.01]]])
    _, _, sure = _scan(blind, y, variance, 0.0, np.array([1.0]))
    assert not sure.any()


def test_the_model_of_an_unlisted_nuclide_or_an_impossible_window_is_refused():
    """With the nuclide and the window named."""
    with pytest.raises(ValueError, match="no photon lines are listed for Xx-1"):
        forward("Xx-1", 100.0, 20.0, 10.0, 0.0)
    with pytest.raises(ValueError, match=r"a window of 0.0 % at 122.06 keV is none"):
        forward("Co-57", 122.06, 0.0, 10.0, 0.0)


def test_rows_are_put_in_order_of_owner_time_and_number_however_they_come():
    """In time order, out of it, alike but for the repeat, and with more owners than a short number holds: as sorted by all four."""
    rng = np.random.default_rng(5)
    for owners in (3, 2**17):
        owner = rng.integers(0, owners, 200)
        time = np.sort(rng.integers(0, 50, 200)).astype("datetime64[us]")
        for shuffled in (np.arange(200), rng.permutation(200)):
            number = np.arange(200)[shuffled]
            for repeat in (np.ones(200, np.int64), rng.integers(1, 4, 200)):
                expected = sorted(range(200), key=lambda i: (owner[i], time[shuffled][i], repeat[i], number[i]))
                assert _order(owner, time[shuffled], repeat, number).tolist() == expected


def test_the_table_of_half_lives_is_written_from_the_package_as_it_lies_there(tmp_path, monkeypatch):
    """What a developer would write today is what is shipped, byte for byte."""
    shipped = (make_half_lives.Path(make_half_lives.__file__).with_name("half_lives.csv")).read_bytes()
    monkeypatch.setattr(make_half_lives, "__file__", str(tmp_path / "make_half_lives.py"))
    make_half_lives.main()
    assert (tmp_path / "half_lives.csv").read_bytes() == shipped
