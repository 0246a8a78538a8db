"""Level and slope of every series at once: what they say of a line, a step, a late ramp, and of too little."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.drift.trend import ONSETS, YEAR_DAYS, fit_trends

SD = 0.01


def fitted(*units, at=None, sd=SD):
    """Fit of units given by their values, weekly unless the days are given."""
    lengths = [len(one) for one in units]
    x = np.concatenate([np.asarray(one, float) for one in units]) if units else np.zeros(0)
    if at is None:
        at = [7.0 * n for length in lengths for n in range(length)]
    days = np.asarray(at, float)
    unit = np.repeat(np.arange(len(units)), lengths).astype(np.int64)
    return fit_trends(unit, days, x, np.full(len(x), sd**2), len(units))


def luck(n, seed=1, sd=SD):
    """Luck of n checks."""
    return sd * np.random.default_rng(seed).standard_normal(n)


def mean_slope(fit, unit=0):
    """Mean slope over the ramps, per year."""
    ramps = fit.weight[unit] * (fit.slope_var[unit] > 0)
    return float((ramps * fit.slope[unit]).sum() / ramps.sum()) * YEAR_DAYS


def test_a_line_is_a_ramp_with_its_slope():
    """Twelve per cent a year over two years of weekly checks: a ramp for sure, its slope to a twentieth."""
    fit = fitted(-0.12 * 7.0 * np.arange(104) / YEAR_DAYS + luck(104))
    assert fit.probability_ramp[0] > 0.99
    assert mean_slope(fit) == pytest.approx(-0.12, rel=0.06)
    assert fit.weight[0] @ fit.level[0] == pytest.approx(-0.12 * 7 * 103 / YEAR_DAYS, abs=0.006)


def test_a_step_is_no_ramp():
    """Eight per cent gone at once: a step for sure, of that size, at that check."""
    x = luck(80) - 0.08 * (np.arange(80) >= 50)
    fit = fitted(x)
    assert fit.probability_step[0] > 0.99
    assert fit.step_size[0] == pytest.approx(-0.08, abs=0.006)
    steps = slice(1, 1 + ONSETS)
    assert abs(fit.onset_days[0, steps][np.argmax(fit.weight[0, steps])] / 7.0 - 50) <= 80 / ONSETS


def test_a_late_ramp_has_the_slope_after_its_onset():
    """Flat for a year and a half, then 20 % a year: the slope is that of the ramp and not of a line through all."""
    k = np.arange(130)
    fit = fitted(-0.2 * 7.0 * np.maximum(k - 80, 0) / YEAR_DAYS + luck(130))
    assert fit.probability_ramp[0] > 0.95
    assert mean_slope(fit) == pytest.approx(-0.2, rel=0.2)
    assert abs(fit.linear_slope[0] * YEAR_DAYS) < 0.12


def test_nothing_is_mostly_called_nothing():
    """Of 300 sound series few have a ramp thought likelier than not, and their slopes are about zero."""
    fit = fitted(*[luck(80, seed=s) for s in range(300)])
    assert (fit.probability_ramp > 0.5).mean() < 0.03
    assert np.median(np.abs(fit.linear_slope * YEAR_DAYS)) < 0.005


def test_spread_beyond_the_stated_widens_the_slope():
    """Checks that scatter three times as far as stated: the slope's error is about three times as wide."""
    quiet, loud = fitted(luck(100)), fitted(luck(100, sd=3 * SD))
    ratio = np.sqrt(loud.linear_slope_var[0] / quiet.linear_slope_var[0])
    assert 2.0 < ratio < 3.6


def test_the_weights_are_probabilities():
    """Weights are not negative and sum to one; ramp, step and constant share them out."""
    fit = fitted(luck(30), luck(5), luck(3), [0.1, 0.2], [0.3])
    assert (fit.weight >= 0).all()
    assert fit.weight.sum(axis=1) == pytest.approx(np.ones(5))
    assert fit.probability_ramp + fit.probability_step + fit.weight[:, 0] == pytest.approx(np.ones(5))


def test_too_few_checks_have_a_mean_and_no_slope():
    """Two checks: a flat constant with their weighted mean; one: itself; none: NaN."""
    fit = fit_trends(np.array([0, 0, 1]), np.array([0.0, 7.0, 0.0]), np.array([0.1, 0.2, 0.3]),
                     np.array([1e-4, 3e-4, 2e-4]), 3)
    assert fit.weight[:, 0].tolist() == [1.0, 1.0, 1.0]
    assert fit.level[:2, 0] == pytest.approx([(0.1 / 1 + 0.2 / 3) / (1 + 1 / 3), 0.3])
    assert fit.level_var[1, 0] == pytest.approx(2e-4)
    assert np.isnan(fit.level[2]).all()
    assert np.isnan(fit.at_days[2])
    assert fit.checks.tolist() == [2, 1, 0]


def test_constant_checks_and_checks_of_one_moment():
    """Checks alike to the last digit have slope zero; checks of one and the same moment give no slope, and no error."""
    fit = fitted(np.full(40, 1.3))
    assert abs(fit.linear_slope[0]) < 1e-15
    assert fit.weight[0] @ fit.level[0] == pytest.approx(1.3)
    same = fit_trends(np.zeros(4, np.int64), np.full(4, 5.0), luck(4), np.full(4, SD**2), 1)
    assert np.isfinite(same.level[0]).all()
    assert same.probability_ramp[0] == 0.0


def test_units_do_not_change_each_others_digits():
    """A unit fitted beside shorter and longer ones reads as it does alone, to the last digit."""
    one = luck(37, seed=4)
    alone, beside = fitted(one), fitted(luck(90), one, luck(2))
    for name in ("weight", "level", "level_var", "slope", "slope_var", "cross"):
        assert (getattr(alone, name)[0] == getattr(beside, name)[1]).all()


def test_scale_and_origin():
    """Adding a constant moves the level alone; running time later moves nothing but the dates."""
    x = luck(50) - 1e-4 * np.arange(50)
    one, up = fitted(x), fitted(x + 2.0)
    assert up.linear_slope == pytest.approx(one.linear_slope, rel=1e-6)
    assert up.weight == pytest.approx(one.weight, rel=1e-6, abs=1e-12)
    late = fitted(x, at=list(19000.0 + 7.0 * np.arange(50)))
    assert late.linear_slope == pytest.approx(one.linear_slope, rel=1e-9)
    assert late.onset_days[0, 1:] - one.onset_days[0, 1:] == pytest.approx(np.full(2 * ONSETS, 19000.0))


def test_no_unit():
    """No unit, no row."""
    assert fitted().weight.shape[0] == 0
