"""First passage against the inverse Gaussian, by numerical integration, and over what is not known by quadrature."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from analytics.drift.crossing import HORIZON_DAYS, WANDER_PER_DAY, Paths, first_passage, passage_quantiles


def passed(t):
    """P(T ≤ t) of the check values: drift 0.1, s 1, distance 5."""
    return float(first_passage(np.array(t), np.array(5.0), np.array(0.1), 1.0))


def test_mean_and_variance_of_the_wiener_first_passage():
    """Wiener first passage, v 0.1, s 1, distance 5: mean 50 and variance 5000 (project methods §9), by integration."""
    mean = integrate.quad(lambda t: 1.0 - passed(t), 0.0, 4000.0, limit=400)[0]
    square = integrate.quad(lambda t: 2.0 * t * (1.0 - passed(t)), 0.0, 8000.0, limit=400)[0]
    assert mean == pytest.approx(50.0, rel=1e-8)
    assert square - mean**2 == pytest.approx(5000.0, rel=1e-8)


def test_median_and_probability_of_the_wiener_first_passage():
    """Wiener first passage, v 0.1, s 1, distance 5: median 25.7115, P(T < 30) 0.5533893 (project methods §9)."""
    assert optimize.brentq(lambda t: passed(t) - 0.5, 1.0, 100.0) == pytest.approx(25.7115, abs=5e-5)
    assert passed(30.0) == pytest.approx(0.5533893, abs=5e-8)


@pytest.mark.parametrize(("distance", "drift", "variance"), [(5.0, 0.1, 1.0), (0.1, 3e-4, 3e-7), (2.0, 1.0, 0.05)])
def test_first_passage_is_inverse_gaussian(distance, drift, variance):
    """P(T ≤ t) is scipy.stats.invgauss with mean a/v and shape a²/q, over six decades of probability."""
    shape = distance**2 / variance
    reference = stats.invgauss(mu=distance / drift / shape, scale=shape)
    t = reference.ppf(np.array([1e-6, 1e-3, 0.05, 0.5, 0.95, 0.999]))
    made = first_passage(t, np.full(6, distance), np.full(6, drift), variance)
    assert made == pytest.approx(reference.cdf(t), rel=1e-9)


def test_without_drift_it_passes_by_wandering_alone():
    """At drift 0 it is the reflection principle: P(T ≤ t) = 2 Φ(−a/√(qt)) (Feller, An Introduction II; from memory)."""
    t = np.array([10.0, 100.0, 1000.0])
    made = first_passage(t, np.full(3, 0.05), np.zeros(3), WANDER_PER_DAY)
    assert made == pytest.approx(2.0 * stats.norm.cdf(-0.05 / np.sqrt(WANDER_PER_DAY * t)), rel=1e-9)


def test_a_limit_already_passed_was_passed_at_once_and_a_drift_away_rarely_does():
    """At or beyond the limit the probability is 1; led away from it, P(ever) = exp(2va/q), which is below 1."""
    assert first_passage(np.array([1e-6, 5.0]), np.array([0.0, -0.1]), np.array([0.1, 0.1]), 1.0).tolist() == [1.0, 1.0]
    ever = float(first_passage(np.array(1e7), np.array(5.0), np.array(-0.1), 1.0))
    assert ever == pytest.approx(np.exp(-2 * 0.1 * 5.0), rel=1e-6)


def quantiles(weight, distance, distance_sd, drift):
    """Quantiles of one unit; arrays of components."""
    w, a, s, v = np.broadcast_arrays(*(np.atleast_1d(np.asarray(one, float)) for one in (weight, distance, distance_sd, drift)))
    return passage_quantiles(Paths(np.zeros(len(w), np.int64), w, v, a, s**2, np.full(len(w), WANDER_PER_DAY)), 1)


def test_known_level_and_slope_give_the_inverse_gaussian_quantiles():
    """With level and slope known, 5, 50 and 95 % are those of scipy.stats.invgauss to half a day in a year or two."""
    drift, distance = 0.05 / 365.2422, 0.06
    made = quantiles(1.0, distance, 0.0, drift)
    shape = distance**2 / WANDER_PER_DAY
    reference = stats.invgauss(mu=distance / drift / shape, scale=shape)
    assert [made.p05[0], made.p50[0], made.p95[0]] == pytest.approx(reference.ppf([0.05, 0.5, 0.95]), abs=0.5)
    assert made.within[365][0] == pytest.approx(reference.cdf(365.0), abs=2e-3)


def test_an_uncertain_distance_is_integrated_out_in_closed_form():
    """P(T ≤ t) with a normal distance is the plain one averaged by Gauss–Hermite quadrature, to 1e-6."""
    score, mass = np.polynomial.hermite_e.hermegauss(96)
    mass = mass / mass.sum()
    drift, distance, sd = 0.05 / 365.2422, 0.05, 0.006
    for t in (60.0, 200.0, 365.0, 700.0):
        spread = first_passage(np.array(t), distance + sd * score, np.full(96, drift), WANDER_PER_DAY)
        made = float(first_passage(np.array(t), np.array(distance), np.array(drift), WANDER_PER_DAY, sd**2))
        assert made == pytest.approx(float((mass * spread).sum()), abs=1e-6)


def test_a_mixture_is_averaged_over():
    """Several drifts and distances: quantiles are those of the mixed distribution within 1 %, chances within 0.005."""
    weight, drift = np.array([0.5, 0.3, 0.2]), np.array([0.05, 0.08, 0.03]) / 365.2422
    distance, sd = np.array([0.06, 0.05, 0.07]), np.array([0.004, 0.006, 0.0])
    made = quantiles(weight, distance, sd, drift)

    def exact(t):
        return float((weight * first_passage(np.full(3, t), distance, drift, WANDER_PER_DAY, sd**2)).sum())

    wanted = [optimize.brentq(lambda t, q=q: exact(t) - q, 5.0, HORIZON_DAYS) for q in (0.05, 0.5, 0.95)]
    assert [made.p05[0], made.p50[0], made.p95[0]] == pytest.approx(wanted, rel=0.01)
    for days in (90, 182, 365):
        assert made.within[days][0] == pytest.approx(exact(days), abs=0.005)


def test_units_do_not_mix():
    """Two units at once read as each alone, to the last digit, and one without components has no date."""
    one = Paths(*(np.array([v]) for v in (0, 1.0, 1e-4, 0.05, 1e-6, WANDER_PER_DAY)))
    both = Paths(np.array([0, 2]), np.ones(2), np.array([1e-4, 3e-4]), np.array([0.05, 0.02]), np.full(2, 1e-6), np.full(2, WANDER_PER_DAY))
    alone, made = passage_quantiles(one, 1), passage_quantiles(both, 3)
    assert made.p50[0] == alone.p50[0]
    assert np.isnan([made.p05[1], made.within[90][1]]).all()
    assert made.p50[2] < made.p50[0]


def test_beyond_the_horizon_there_is_no_date():
    """A crossing that less than half of the cases make within five years has no median, and none has a p95."""
    made = quantiles(1.0, 0.1, 0.0, 1e-3 / 365.2422)
    assert np.isnan(made.p50[0])
    assert np.isnan(made.p95[0])
