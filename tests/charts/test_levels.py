"""Charts of quantities that are read now and then: each against the readings before it."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from analytics.charts.levels import level_chart, unit_starts
from analytics.charts.thresholds import MAD_EFFICIENCY, PRIOR_FREEDOM

DATA = Path(__file__).parent.parent / "external" / "data"


def charted(*units, variance=1e-4, prior=0.02, readings=20, arl0=370.0, effect=0.0, sides=(-1, 1), **more):
    """The chart of units given by their values."""
    value = np.concatenate([np.asarray(one, float) for one in units]) if units else np.zeros(0)
    unit = np.repeat(np.arange(len(units)), [len(one) for one in units]) if units else np.zeros(0, np.int64)
    n = len(value)
    return level_chart(
        unit, value, np.broadcast_to(np.asarray(variance, float), n).copy(), prior_spread=prior,
        reference_readings=readings, arl0=np.full(n, arl0), least_effect=np.full(n, effect), sides=sides, **more)


def test_each_reading_is_held_against_the_median_before_it():
    """The z is (value − centre) / √(v + s² + s_centre²), centre and spread from the earlier readings, by hand."""
    x, v, prior = np.array([0.10, 0.16, 0.13, 0.11, 0.35]), 1e-4, 0.02
    made = charted(x, variance=v, prior=prior)
    assert np.isnan(made.z[0])
    for i in range(1, 5):
        before = x[:i]
        centre = np.median(before)
        mad = 1.4826 * np.median(np.abs(before - centre)) if i > 2 else 0.0
        s2 = ((i - 1) * max(mad**2 - v, 0.0) + PRIOR_FREEDOM * prior**2) / (i - 1 + PRIOR_FREEDOM)
        efficiency = 1.0 if i <= 2 else np.pi / 2
        spread = np.sqrt(v + s2 + efficiency * (v + s2) / i)
        assert made.centre[i] == pytest.approx(centre)
        assert made.spread[i] == pytest.approx(spread)
        assert made.z[i] == pytest.approx((x[i] - centre) / spread)
        limit = stats.t.isf(1 / 370.0 / 2, PRIOR_FREEDOM + MAD_EFFICIENCY * (i - 1))
        assert made.ratio[i] == pytest.approx(abs(made.z[i]) / limit)
    assert made.reference_readings.tolist() == [0, 1, 2, 3, 4]


def test_the_reference_is_the_first_readings_only():
    """With two reference readings, later ones never move the centre."""
    made = charted([1.0, 1.1, 5.0, 5.0, 5.0], readings=2)
    assert made.centre[2:].tolist() == [1.05, 1.05, 1.05]
    assert made.reference_readings.tolist() == [0, 1, 2, 2, 2]


def test_later_readings_and_other_units_change_no_digit():
    """A reading reads the same when later ones and other units are there."""
    rng = np.random.default_rng(3)
    x = 1.0 + 0.03 * rng.standard_normal(30)
    whole = charted([7.0, 8.0, 9.0], x, [0.1])
    for n in (1, 5, 21):
        part = charted(x[:n])
        for name in ("z", "centre", "spread", "ratio"):
            assert np.array_equal(getattr(part, name), getattr(whole, name)[3 : 3 + n], equal_nan=True)


def test_individuals_of_the_nist_handbook_stay_within_their_limits():
    """NIST/SEMATECH e-Handbook 6.3.2.2: ten individuals all within limits; one at its outer limit + 3 sigma is not."""
    x = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    sigma = (55.8041 - 45.8159) / 6.0  # of the handbook's limits, from the moving range
    made = charted(x, variance=0.0, prior=sigma, readings=10)
    assert made.ratio.max() < 1.0
    beyond = charted([*x, 55.8041 + 3 * sigma], variance=0.0, prior=sigma, readings=10)
    assert beyond.ratio[-1] > 1.0
    assert beyond.centre[-1] == pytest.approx(50.81, abs=0.6)  # the median is 51.25, the handbook's mean 50.81


def test_the_mass_standard_stands_out_where_it_does_in_the_handbook():
    """NIST MASS.DAT: the five readings farthest off after 1985 are those of the plain z of e-Handbook 2.2.2.1.1."""
    with (DATA / "nist_mass_check_standard.csv").open(encoding="utf-8") as file:
        value = np.array([float(row["value_mg"]) for row in csv.DictReader(file)])
    plain = np.abs((value[99:] + 19.4785099) / 0.0306523)
    made = charted(value, variance=0.0, prior=0.0306523, readings=99)
    assert np.argsort(-np.abs(made.z[99:]))[:5].tolist() == np.argsort(-plain)[:5].tolist()
    assert made.centre[-1] == pytest.approx(-19.4785099, abs=0.005)
    assert made.spread[-1] == pytest.approx(0.0306523, rel=0.25)


def test_one_side_only():
    """A background that fell is no contamination: with ``sides=(1,)`` a fall has no ratio, a rise has."""
    x = [3.0, 3.0, 3.1, 2.9, 3.0, 0.5, 9.0]
    made = charted(x, sides=(1,))
    assert made.ratio[5] == 0.0
    assert made.ratio[6] > 1.0
    assert charted(x).ratio[5] > 1.0


QUARTERLY = {"variance": 0.09, "prior": 0.05, "arl0": 1600.0, "sides": (1,), "least_ratio": 1.12, "relative": True}
RAISED = [0.48, 0.10, 0.35, 0.13, 0.36, 0.20, 0.38, 1.75, 1.70, 1.80, 1.65, 1.75, 1.70]


def test_two_high_readings_in_a_row_signal_together_and_stay_out_of_the_reference():
    """Neither is beyond the limit alone; one by one they would become the reference, in pairs they signal and go on to."""
    single, paired = charted(RAISED, **QUARTERLY), charted(RAISED, pairs=True, **QUARTERLY)
    assert single.ratio.max() < 1.0
    assert paired.ratio[:8].max() < 1.0  # the first of them alone
    assert paired.ratio[8] > 1.0
    assert paired.centre[-1] == paired.centre[7] < single.centre[-1]
    assert paired.z[8:].min() > 2.5


def test_a_pair_is_told_by_what_was_read_up_to_it():
    """What comes later changes no row: the chart of the first rows is the first rows of the chart (no hindsight)."""
    whole = charted(RAISED, pairs=True, **QUARTERLY)
    for n in range(5, len(RAISED)):
        part = charted(RAISED[:n], pairs=True, **QUARTERLY)
        assert (part.ratio > 1.0).tolist() == (whole.ratio[:n] > 1.0).tolist()
        assert part.z[1:] == pytest.approx(whole.z[1:n], nan_ok=True)


def test_pairs_cost_sound_units_next_to_nothing():
    """Of 3000 sound units of 14 readings, at one false alarm in 50 readings: fewer than that by single readings and pairs together."""
    rng = np.random.default_rng(4)
    units = [0.5 + 0.3 * rng.standard_normal(14) for _ in range(3000)]
    made = charted(*units, pairs=True, **(QUARTERLY | {"arl0": 50.0}))
    signalled = np.unique(np.flatnonzero(made.ratio > 1.0) // 14)
    assert 0 < len(signalled) <= 3000 * 14 / 50


def test_an_effect_too_small_to_matter_does_not_signal():
    """However sure, a change below ``least_effect`` has no ratio."""
    x = [1.0] * 20 + [1.2]
    assert charted(x, variance=1e-8, prior=1e-3).ratio[-1] > 1.0
    assert charted(x, variance=1e-8, prior=1e-3, effect=0.25).ratio[-1] == 0.0


def test_constant_readings_do_not_divide_by_zero():
    """Readings alike to the last digit keep the prior share of spread."""
    made = charted([2.0] * 30, variance=0.0)
    assert np.isfinite(made.z[1:]).all()
    assert made.ratio.max() == 0.0


def test_false_alarms_after_two_readings_are_no_more_frequent_than_paid_for():
    """Of 20,000 normal readings held against two each at ARL0 100, not more than one in a hundred signals."""
    rng = np.random.default_rng(5)
    table = rng.standard_normal((20_000, 3)) * 0.02
    made = charted(*table, variance=0.0, prior=0.02, readings=2, arl0=100.0)
    share = (made.ratio.reshape(-1, 3)[:, 2] > 1.0).mean()
    assert 0.0 < share < 0.01 + 3 * np.sqrt(0.01 * 0.99 / 20_000)


def test_nothing():
    """No readings, no rows."""
    assert len(charted().z) == 0
    assert unit_starts(np.zeros(0, np.int64)).tolist() == []
    assert unit_starts(np.array([2, 2, 5, 5, 7])).tolist() == [0, 2, 4]
