"""Counting held against worked examples of handbooks, printed tables and the formulas of papers.

Numbers in brackets are rows of the project's table of check values.
"""

from __future__ import annotations

import numpy as np
import pytest

from analytics.counting import dead_time, precision
from analytics.counting.arrays import Floats
from analytics.counting.nuclides import decay_factor


def _rate(counts: float, minutes: float) -> tuple[float, float]:
    """Counts a minute with their standard deviation, through the pooled rate the responses use."""
    from analytics.counting.background import pooled_rate

    none = np.zeros(1)
    rate, variance = pooled_rate(np.array([counts]), np.array([minutes]), none, none, none.astype(np.int8))
    return float(rate[0]), float(np.sqrt(variance[0]))


def test_a_rate_and_its_standard_deviation() -> None:
    """8640 counts in 12 min are 720 ± 7.746 cpm (Saha, Physics of Nuclear Medicine, problem 4.2) [1]."""
    rate, sd = _rate(8640, 12)
    assert rate == 720
    assert sd == pytest.approx(7.746, abs=5e-4)


def test_background_is_taken_off_with_its_variance() -> None:
    """40,000 gross less 2,000 background are 38,000 ± 204.94 (Saha, p. 39) [2]."""
    value, sd, _ = precision.difference(40_000, np.sqrt(40_000), 2_000, np.sqrt(2_000))
    assert value == 38_000
    assert sd == pytest.approx(204.94, abs=5e-3)


def test_a_ratio_adds_relative_variances() -> None:
    """(38,000 ± 205)/(89,000 ± 302) = 0.427 ± 0.0027 (Saha, p. 39) [3]."""
    value, sd = precision.quotient(38_000, 205, 89_000, 302)
    assert value == pytest.approx(0.427, abs=5e-4)
    assert sd == pytest.approx(0.0027, abs=5e-5)


def test_a_weak_sample_over_a_high_background() -> None:
    """561 gross and 410 background in a minute each are 151 ± 31.2 (Knoll, problem 3.7; answer computed) [4]."""
    (gross, gross_sd), (blank, blank_sd) = _rate(561, 1), _rate(410, 1)
    value, sd, _ = precision.difference(gross, gross_sd, blank, blank_sd)
    assert value == 151
    assert sd == pytest.approx(31.2, abs=0.05)


def test_a_net_rate_of_ten_minutes() -> None:
    """846 and 73 counts in 10 min each are 77.3 ± 3.03 cpm (Knoll, problem 3.8; answer computed) [5]."""
    (gross, gross_sd), (blank, blank_sd) = _rate(846, 10), _rate(73, 10)
    value, sd, _ = precision.difference(gross, gross_sd, blank, blank_sd)
    assert value == pytest.approx(77.3)
    assert sd == pytest.approx(3.03, abs=5e-3)


def test_a_chi_square_that_is_nearly_certain() -> None:
    """χ² = 4.66 of 15 counts has P = 0.99 (Tsoulfanidis, Measurement and Detection of Radiation, p. 59) [6]."""
    assert float(precision.chi_square_probability(4.66, 14)) == pytest.approx(0.99, abs=5e-3)


def test_a_chi_square_that_is_suspicious() -> None:
    """χ² = 33 of 20 counts has P = 0.024, below 5 % (Lowenthal & Airey, Practical Applications, §6.7) [7]."""
    assert float(precision.chi_square_probability(33.0, 19)) == pytest.approx(0.024, abs=5e-4)


@pytest.mark.parametrize(("coverage", "low", "high"), [(0.90, 3.325, 16.919), (0.95, 2.700, 19.023)])
def test_limits_of_chi_square_for_ten_repeats(coverage: float, low: float, high: float) -> None:
    """Ten repeats: 3.325 to 16.919 hold 90 %, 2.700 to 19.023 hold 95 % (printed χ² table, dof 9) [8]."""
    found = precision.chi_square_limits(9, coverage)
    assert [float(one) for one in found] == pytest.approx([low, high], abs=5e-4)


def test_co57_after_five_years() -> None:
    """10,000 cps of Co-57 are 94.93 cps after 5 × 365.25 d with the DDEP half-life of 271.81 d [11]."""
    assert 10_000 * float(decay_factor(271.81, 5 * 365.25)) == pytest.approx(94.93, abs=5e-3)


def test_a_hundred_counts_a_second_for_ten_seconds() -> None:
    """100 cps for 10 s are known to 3.16 %, and 3.16 % of 100 cps take 10 s (Poisson) [12]."""
    rate, sd = _rate(1000, 10)
    assert 100 * sd / rate == pytest.approx(3.16, abs=5e-3)
    assert precision.counting_time_s(100.0, 0.0, 0.1**1.5) == pytest.approx(10.0)


def test_currie_for_a_paired_blank() -> None:
    """A paired blank of 100 counts gives L_C = 23.3 and L_D = 49.2 (Currie, Anal Chem 1968;40:586) [13]."""
    assert precision.currie_limits(100.0) == pytest.approx((23.3, 49.2), abs=0.05)
    # the same limit, as the net rate of a check is held against it
    limit = precision.decision_limit_cps(np.array([10.0]), np.array([10.0]), np.array([100.0 / 10.0**2]))
    assert float(limit[0]) * 10.0 == pytest.approx(23.3, abs=0.05)


def _one(value: float) -> Floats:
    return np.array([value])


def test_non_paralysable_dead_time() -> None:
    """25,000 cps behind 10 µs, non-paralysable, read 20,000 and are got back from it (Knoll's formula) [14]."""
    model = np.array([dead_time.NON_PARALYSABLE], np.int8)
    assert float(dead_time.observed_rate(_one(25_000), _one(1e-5), model)[0]) == pytest.approx(20_000)
    assert float(dead_time.true_rate(_one(20_000), _one(1e-5), model)[0]) == pytest.approx(25_000)


def test_paralysable_dead_time() -> None:
    """10,000 cps behind 10 µs, paralysable, read 9,048.37 and are got back from it (Knoll's formula) [15]."""
    model = np.array([dead_time.PARALYSABLE], np.int8)
    assert float(dead_time.observed_rate(_one(10_000), _one(1e-5), model)[0]) == pytest.approx(9_048.37, abs=5e-3)
    assert float(dead_time.true_rate(_one(9_048.374180359595), _one(1e-5), model)[0]) == pytest.approx(10_000)


def test_the_two_source_method() -> None:
    """7307.6, 8130.9 and both 14126.5 cps over a background of 10 give τ = 12.000 µs (Knoll's formula) [16]."""
    assert dead_time.two_source_dead_time_s(7307.6, 8130.9, 14126.5, 10.0) * 1e6 == pytest.approx(12.0, abs=5e-4)


def test_two_counts_of_equal_time() -> None:
    """10,000 against 10,300 counts of equal times differ by z = 2.106 (computed from Poisson variances) [17]."""
    _, _, z = precision.difference(10_300, np.sqrt(10_300), 10_000, 100)
    assert z == pytest.approx(2.106, abs=5e-4)


def test_how_long_a_source_of_ten_thousand_counts_lasts() -> None:
    """1 % in 60 s (167 cps) is kept 4.4 years from 10,000 cps, 1.9 from 1,000 (computed, project trade list)."""
    needed = precision.rate_needed_cps(60.0, 0.01)
    assert needed == pytest.approx(167, abs=0.5)
    for start, years in ((10_000.0, 4.4), (1_000.0, 1.9)):
        assert 271.81 * np.log2(start / needed) / 365.2422 == pytest.approx(years, abs=0.05)
