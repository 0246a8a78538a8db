"""Did a service hold: level and drift after it, held against those before it."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.advice.repairs_held import compare, line, log_density, not_held_probability

LEVELS = ((0.9, 0.025), (0.1, 0.3))


def probability(level, drift, *, sd=(0.01, 0.02), before=-0.10, before_sd=0.01, lost=-0.12):
    """Probability of not having held, prior 0.4. level, drift: seen after the service, with their errors."""
    part = compare(
        "response", np.array([level, drift]), np.diag(np.square(sd)), 20, np.ones(1), np.array([before]),
        np.array([before_sd**2]), lost, 0.01, LEVELS, 0.006)
    return not_held_probability([part], 0.4)


def test_the_drift_goes_on_as_before():
    """Restored, but falling 10 % a year as before: it did not hold; steady since: it held."""
    assert probability(0.0, -0.10) > 0.99
    assert probability(0.0, 0.0) < 0.01


def test_nothing_came_back():
    """Steady, and still as low as before the service after a step: it did not hold."""
    assert probability(-0.12, 0.0, before=0.0, before_sd=0.0) > 0.7
    assert probability(0.0, 0.0, before=0.0, before_sd=0.0) < 0.1


def test_few_checks_say_little():
    """An error of the drift as large as the drift leaves the probability near what it was beforehand."""
    assert 0.15 < probability(0.0, -0.04, sd=(0.05, 0.2)) < 0.6


def test_another_level_alone_is_no_failure():
    """Thirty per cent up and steady: the service changed the level, and that is all."""
    assert probability(0.3, 0.0, lost=0.0, before=0.0, before_sd=0.0) < 0.5


def test_a_drift_of_another_sign_is_another_matter():
    """Falling before, rising as fast after it: the fault of before does not go on."""
    assert probability(0.0, 0.10) < probability(0.0, -0.10)


def test_the_line_is_that_of_least_squares():
    """Without scatter beyond the stated variances: numpy's polynomial fit and its covariance."""
    rng = np.random.default_rng(1)
    age, x = np.linspace(0, 1, 40), np.linspace(0.2, 0.1, 40) + rng.normal(0, 0.005, 40)
    fit, covariance = line(age, x, np.full(40, 0.01**2), 1e9, 1e9)
    slope, level = np.polyfit(age, x, 1)
    assert fit == pytest.approx([level, slope], abs=1e-6)
    design = np.stack([np.ones(40), age], axis=1)
    assert covariance == pytest.approx(0.01**2 * np.linalg.inv(design.T @ design), rel=1e-5)


def test_the_density_is_that_of_scipy():
    """A correlated bivariate normal, against scipy."""
    from scipy.stats import multivariate_normal

    cov = np.array([[0.04, 0.01], [0.01, 0.09]])
    expected = multivariate_normal([0.1, -0.2], cov).logpdf([0.3, 0.1])
    assert log_density(np.array([0.3, 0.1]), np.array([[0.1, -0.2]]), cov[None])[0] == pytest.approx(expected, rel=1e-12)
