"""Scatter: too much, too little, outliers too often, repeats that do not count as they should; and not a step."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.charts.outliers import find_outliers
from analytics.charts.spread import SMALLER_MEAN_SQUARE, reset_cusum, spread_chart
from tests.charts.plain_rows import plain_rows

SD, CHECKS, UNITS = 0.01, 120, 60


def charted(x, *, chi_square=0.0, freedom=0.0, arl0=2000.0, noise=SD**2):
    """The scatter charts of units given as rows of a table."""
    x = np.asarray(x, float)
    units, checks = x.shape
    flat, rows = x.ravel(), plain_rows([checks] * units, x.ravel())
    n = len(flat)
    seen = find_outliers(rows, flat, np.full(n, noise), np.zeros(n))
    return spread_chart(
        rows, flat, seen.z_local, np.full(n, noise), seen.pending, np.zeros(n), np.full(n, arl0),
        np.broadcast_to(np.asarray(chi_square, float), x.shape).ravel().copy(),
        np.broadcast_to(np.asarray(freedom, float), x.shape).ravel().copy())


def signalled(ratio):
    """Share of units in which a statistic ever signals."""
    return (ratio.reshape(-1, CHECKS) > 1.0).any(axis=1).mean()


@pytest.fixture(scope="module")
def sound():
    """Sixty sound units."""
    return SD * np.random.default_rng(1).standard_normal((UNITS, CHECKS))


@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(st.lists(st.floats(-5, 5), max_size=30))
def test_reset_cusum_is_the_recursion(steps):
    """C_i − min(0, min C) is S = max(0, S + step), row by row."""
    s, wanted = 0.0, []
    for step in steps:
        s = max(0.0, s + step)
        wanted.append(s)
    assert reset_cusum(np.array([steps]))[0] == pytest.approx(np.array(wanted), abs=1e-9)


def test_sound_units_rarely_signal(sound):
    """Over 120 checks at ARL0 2000 no statistic signals in more than 6 % of sound units, as is paid for."""
    made = charted(sound)
    for name in ("ratio_scatter", "ratio_outliers", "ratio_low"):
        assert signalled(getattr(made, name)) <= 0.06 + 3 * np.sqrt(0.06 * 0.94 / UNITS)
    assert made.ratio_repeats.max() == 0.0


def test_scatter_twice_as_wide_is_found(sound):
    """From the fortieth check on twice the spread: nine in ten are found by the end, none before it begins."""
    wide = sound.copy()
    wide[:, 40:] *= 2.2
    made = charted(wide)
    late = np.maximum(made.ratio_scatter, made.ratio_outliers)
    assert signalled(late) >= 0.9
    extra = made.extra_pct.reshape(UNITS, CHECKS)[:, -1].mean()
    assert extra == pytest.approx(100 * SD * np.sqrt(2.2**2 - 1), rel=0.35)


@pytest.mark.parametrize("change", ["step", "drift"])
def test_neither_step_nor_drift_is_scatter(sound, change):
    """A step of 8 sigma, or a drift of half a sigma a check, does not make a unit scatter."""
    k = np.arange(CHECKS)
    moved = sound - (0.08 * (k >= 60) if change == "step" else 0.005 * np.maximum(k - 60, 0))
    made = charted(moved)
    assert signalled(made.ratio_scatter) <= 0.06 + 3 * np.sqrt(0.06 * 0.94 / UNITS)


def test_lone_outliers_that_come_too_often_are_found(sound):
    """Every sixth check 30 % low from the fortieth on: outliers come too often, though each alone is a blunder."""
    loose = sound.copy()
    loose[:, 42::6] -= 0.3
    made = charted(loose)
    assert signalled(made.ratio_outliers) == 1.0
    assert made.outliers.reshape(UNITS, CHECKS)[:, -1].mean() == pytest.approx(13, abs=1.5)


def test_one_blunder_alone_is_no_scatter(sound):
    """One check 40 % low alarms in no more units than none does."""
    one = sound.copy()
    one[:, 60] -= 0.5
    before, after = charted(sound), charted(one)
    for name in ("ratio_scatter", "ratio_outliers"):
        assert signalled(getattr(after, name)) <= signalled(getattr(before, name)) + 0.05


def test_too_little_scatter_is_found(sound):
    """A display that stands still, or a pulser: a tenth of the spread is found in nine of ten, by the low statistic."""
    assert signalled(charted(0.1 * sound).ratio_low) >= 0.9
    assert charted(0.1 * sound).ratio_scatter.max() < 1.0


@pytest.mark.parametrize("factor", [3.0, 0.2])
def test_repeats_that_do_not_count_as_poisson_are_found(sound, factor):
    """Chi-square of five repeats three times, or a fifth of, what it should be: found; as it should be: rarely."""
    rng = np.random.default_rng(2)
    square = rng.chisquare(4, sound.shape)
    assert signalled(charted(sound, chi_square=square, freedom=4.0).ratio_repeats) <= 0.15
    assert signalled(charted(sound, chi_square=factor * square, freedom=4.0).ratio_repeats) >= 0.9


def test_calm_needs_a_quiet_dozen(sound):
    """Calm: the newest twelve checks scatter as they should and none lies far off."""
    one = sound[:1].copy()
    one[0, 50] -= 0.5
    calm = charted(one).calm
    assert not calm[50:60].any()
    assert calm[75:].mean() > 0.6


def test_the_constant_of_the_smaller_square():
    """E[min(z₁², z₂²)] for a check against the median of five and against the one before, by simulation of its own."""
    rng = np.random.default_rng(3)
    x = rng.standard_normal((200_000, 6))
    z1 = (x[:, 5] - np.median(x[:, :5], axis=1)) / np.sqrt(1 + 0.5 * np.pi / 5)
    z2 = (x[:, 5] - x[:, 4]) / np.sqrt(2)
    assert np.minimum(z1**2, z2**2).mean() == pytest.approx(SMALLER_MEAN_SQUARE, abs=0.006)


def test_later_checks_and_other_units_change_no_digit(sound):
    """A check's statistics are those of the day it came, alone or in company."""
    whole = charted(sound * np.linspace(1, 2, CHECKS))
    part = charted(sound[3:4, :70] * np.linspace(1, 2, CHECKS)[:70])
    for name in ("ratio_scatter", "ratio_outliers", "ratio_low", "outliers"):
        assert (getattr(part, name) == getattr(whole, name).reshape(UNITS, CHECKS)[3, :70]).all()


def test_a_bout_that_is_over_does_not_call_out_again_and_a_second_one_does(sound):
    """Forty checks that scatter fourfold and cut out; then sound ones: after the first calm dozen hardly a unit is over again."""
    x = sound.copy()
    x[:, 20:60] *= 4.0
    x[:, 25:60:5] -= 0.6
    made = charted(x)
    for name in ("ratio_scatter", "ratio_outliers"):
        ratio = getattr(made, name).reshape(-1, CHECKS)
        assert (ratio[:, 20:60] > 1.0).any(axis=1).all()
        calm = made.calm.reshape(-1, CHECKS)
        calm[:, :60] = False
        first = np.where(calm.any(axis=1), calm.argmax(axis=1), CHECKS)
        later = np.arange(CHECKS)[None, :] > first[:, None]
        assert (first < CHECKS - 20).mean() > 0.9
        assert (later & (ratio > 1.0)).any(axis=1).mean() <= 0.05
    x[:, 95:] *= 4.0
    x[:, 95::5] -= 0.6
    again = charted(x)
    for name in ("ratio_scatter", "ratio_outliers"):
        assert (getattr(again, name).reshape(-1, CHECKS)[:, 95:] > 1.0).any(axis=1).mean() > 0.95
