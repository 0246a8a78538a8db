"""Flat, step or ramp, since when and how fast: what the weighing says of each, and what it draws a young slope to."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.drift.slopes import FALLS, MIDDLE_PER_YEAR, shrunk_middle, weigh_ramps, weighed_alike
from analytics.drift.trend import YEAR_DAYS, fit_trends

SD = 0.02


def weighed(*units, kind=None, sd=SD):
    """Weighing of units given by their weekly values."""
    lengths = [len(one) for one in units]
    x = np.concatenate([np.asarray(one, float) for one in units])
    unit = np.repeat(np.arange(len(units)), lengths).astype(np.int64)
    days = np.concatenate([7.0 * np.arange(length) for length in lengths])
    variance = np.full(len(x), sd**2)
    return weigh_ramps(fit_trends(unit, days, x, variance, len(units)), kind)


def luck(n, seed=1, sd=SD):
    """Luck of n checks."""
    return sd * np.random.default_rng(seed).standard_normal(n)


def falling(per_year, start, n=130, seed=1):
    """Flat up to a check, then falling."""
    return luck(n, seed) - per_year * 7.0 * np.maximum(np.arange(n) - start, 0) / YEAR_DAYS


def mean_slope(ramps, unit=0):
    """Posterior mean slope of a ramp, a year."""
    by_slope = ramps.posterior[unit].sum(axis=0)
    return float((by_slope * ramps.slope).sum() / by_slope.sum()) * YEAR_DAYS


def test_a_ramp_a_step_and_nothing_are_told_apart():
    """A fall of 10 % a year is a ramp, a drop of 10 % at once a step, luck alone mostly neither."""
    step = luck(130, 2) - 0.10 * (np.arange(130) >= 71)
    ramps = weighed(falling(0.10, 60), step, luck(130, 3))
    assert ramps.probability[0] > 0.9
    assert ramps.step[1] > 0.9
    assert ramps.flat[2] > 0.8
    assert ramps.probability + ramps.step + ramps.flat == pytest.approx(np.ones(3))


@pytest.mark.parametrize("at", range(40, 64, 3))
def test_a_step_between_any_two_checks_is_a_step(at):
    """Wherever a drop of 9 % falls between the checks, it is not taken for a steep ramp."""
    assert weighed(luck(130, at) - 0.09 * (np.arange(130) >= at)).step[0] > 0.9


@pytest.mark.parametrize("size", [0.07, 0.7, 2.0])
@pytest.mark.parametrize("ago", [8, 11, 13])
def test_level_and_drift_are_told_by_the_account_that_names_the_cause(size, ago):
    """A drop a few checks ago, also one so large that the mixture on the grid gives all else no weight: a step, its level, no slope."""
    x = luck(150, ago, 0.012) - size * (np.arange(150) >= 150 - ago)
    unit, variance = np.zeros(150, np.int64), np.full(150, 0.012**2)
    trends = fit_trends(unit, 7.0 * np.arange(150), x, variance, 1)
    ramps = weigh_ramps(trends)
    alike = weighed_alike(trends, ramps)
    assert alike.weight.sum() == pytest.approx(1.0)
    assert (alike.probability_step[0], alike.probability_ramp[0]) == pytest.approx((ramps.alone_step[0], ramps.alone_ramp[0]))
    assert alike.probability_step[0] > 0.9


def test_the_probability_of_a_drift_means_what_it_says():
    """Of 400 units of which one in five falls, those given 20–80 % drift about as often as said (±3 standard errors)."""
    rng = np.random.default_rng(5)
    n, units = 60, 400
    drifts = rng.random(units) < 0.15
    speed = MIDDLE_PER_YEAR * np.exp(0.55 * rng.standard_normal(units))
    data = [
        luck(n, 1000 + u) - drifts[u] * speed[u] * 7.0 * np.maximum(np.arange(n) - rng.uniform(0, n), 0) / YEAR_DAYS
        for u in range(units)
    ]
    said = weighed(*data).probability
    doubtful = (said > 0.08) & (said < 0.8)
    assert doubtful.sum() > 30
    error = np.sqrt((said * (1 - said))[doubtful].sum()) / doubtful.sum()
    assert abs(drifts[doubtful].mean() - said[doubtful].mean()) < 3 * error


def test_a_young_slope_is_drawn_to_its_kind_of_detector():
    """Beside others of its kind that fall 20 % a year a young slope reads steeper than beside ones that fall 4 %."""
    fast = [falling(0.20, 50, seed=s) for s in range(12)]
    slow = [falling(0.04, 20, seed=s) for s in range(12)]
    young = falling(0.10, 110, seed=77)
    kind = np.append(np.zeros(12, np.int64), 0)
    beside_fast, beside_slow = (mean_slope(weighed(*others, young, kind=kind), 12) for others in (fast, slow))
    assert beside_fast < beside_slow < 0
    apart = np.append(np.zeros(12, np.int64), 1)
    assert mean_slope(weighed(*fast, young, kind=apart), 12) == pytest.approx(mean_slope(weighed(young)), rel=1e-12)


def test_a_unit_does_not_vote_on_its_own_prior():
    """Alone of its kind a unit keeps the shipped middle, whatever it does itself."""
    middle = shrunk_middle(np.array([3]), np.ones(1), np.array([0.5]), -2.5)
    assert middle.tolist() == [-2.5]


def test_a_rise_must_show_more_than_a_fall():
    """A response hardly ever rises by itself: the mirror image of a fall is the less likely drift."""
    fall = falling(0.07, 90, seed=4)
    up, down = weighed(-fall).probability[0], weighed(fall).probability[0]
    assert FALLS > 0.5
    assert up < down


def test_too_little_is_no_drift():
    """Two checks, or checks of one moment, tell of no ramp and no step; no unit gives no row."""
    assert weighed([0.0, -0.3]).flat.tolist() == [1.0]
    unit, same = np.zeros(5, np.int64), np.full(5, 3.0)
    trends = fit_trends(unit, same, luck(5), np.full(5, SD**2), 1)
    assert weigh_ramps(trends).probability.tolist() == [0.0]
    nothing = fit_trends(np.zeros(0, np.int64), np.zeros(0), np.zeros(0), np.zeros(0), 0)
    assert len(weigh_ramps(nothing).step) == 0
