"""Did a service hold: level and drift after it, held against those before it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from analytics.advice.last_service import LastService
from analytics.advice.repairs_held import After, compare, line, log_density, not_held_probability
from tests.baseline.logbook import Log, advice, weekly

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


def test_the_numbers_said_of_a_service_are_per_cents_and_no_logarithms():
    """A level of half of what it was stands −50 % off, and one that loses a fifth a year drifts by −20 % a year."""
    part = After("response", 12, float(np.log(0.8)), 0.01, float(np.log(1.1)), 0.0, float(np.log(0.5)), float(np.log(0.75)), 0.01, 0.0)
    (text,) = LastService(20_000.0, "repair", (part,), 0.5).sentences()
    assert "drifted by −20 % a year before it and by +10 % after it (90 %: +10 % to +10 %, 12 checks)" in text
    assert "stood −50 % off before it and −25 % after it" in text


@pytest.mark.parametrize(("after", "cause"), [(0.066, "sudden_loss"), (-0.066, "efficiency_loss"), (0.0, "sudden_loss")])
def test_what_rises_after_a_service_does_not_lose_efficiency(after, cause):
    """Stepped down, served and as low: a rise since then is no loss that goes on, a fall is."""
    part = After("response", 11, 0.0, 0.01, after, 0.05, -0.11, -0.11, 0.01, 3.0)
    assert LastService(20_000.0, "repair", (part,), 0.97).goes_on() == cause


def test_of_two_windows_the_one_that_had_alarmed_tells_whether_a_service_held():
    """The window on the flank lost a quarter and stands as low after the service, the other never moved: it did not hold."""
    log = Log(6).source()
    for n in range(1, 5):
        log.probe(f"S-{n}").checks(f"S-{n}", weekly(70, offset=0.02 * n))
    days = weekly(70, offset=0.2)
    log.probe("X").checks("X", days).checks("X", days, window="Tc-99m", background=False, level=lambda day: 0.75 if day > 200 else 1.0)
    log.event("X", 380.0, "recentred", new_reference=True)
    (text,) = [one for one in advice(log.assess(69 * 7.0 + 1), "X").reasons if one.startswith("The last service")]
    assert "the response in Tc-99m drifted" in text
    lost, left = re.findall(r"−(\d+) %", text.partition("stood")[2])
    assert (float(lost), float(left)) == pytest.approx((25.0, 25.0), abs=2.5)
    assert "likely did not hold" in text


def test_a_series_without_a_level_before_the_service_tells_nothing():
    """No level, no odds: such a series is no part of what is said of a service, where it had ended the whole answer in an error."""
    known = After("response", 5, 0.0, 0.01, 0.0, 0.05, -0.1, 0.0, 0.01, 1.0)
    assert known.tells
    assert not replace(known, lost=float("nan")).tells
    assert not replace(known, log_odds=float("nan")).tells


def test_what_did_not_change_has_no_sign_and_one_check_is_one():
    """No change is "0 %", and a single check after a service is said as one."""
    part = After("response", 1, 0.0, 0.01, 0.0, 0.05, 0.0, 0.0001, 0.01, 0.0)
    (text,) = LastService(20_000.0, "repair", (part,), 0.5).sentences()
    assert "drifted by 0 % a year before it" in text
    assert "1 check)" in text
    assert "+0 %" not in text


def test_a_step_long_after_a_service_is_a_fault_of_its_own():
    """A drift mended by a repair, a year of sound checks, and 40 % lost at once: the service held, and is no reason to retire the probe."""
    log = Log().source()
    for name in ("A", "B", "C", "D"):
        log.probe(name).checks(name, weekly(130), rate_cps=2000.0)
    fall = lambda day: np.exp(-0.15 * max(day - 200.0, 0.0) / 365.0) if day < 500.0 else 0.6 if day > 128 * 7.0 else 1.0  # noqa: E731
    log.probe("X").checks("X", weekly(130, offset=0.2), rate_cps=2000.0, level=fall).event("X", 500.0, "repair", new_reference=True)
    found = advice(log.assess(130 * 7.0), "X")
    assert found.advice == "service"
    assert any("held as far as the checks tell" in one for one in found.reasons)
