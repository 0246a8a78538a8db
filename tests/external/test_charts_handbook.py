"""The charts against worked examples of handbooks and textbooks, digit by digit as printed."""

import csv
from pathlib import Path

import numpy as np
import pytest

from analytics.charts.counts import c_chart_limits, laney_u
from analytics.charts.cusum import likelihood_cusum, tabular_cusum
from analytics.charts.ewma import ewma
from analytics.charts.shewhart import individuals_limits, outside_limits

DATA = Path(__file__).parent / "data"
TEN_OF_EWMA_EXAMPLE = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def one_series(values):
    """One series, all checks used."""
    z = np.array([values], dtype=float)
    return z, np.ones(z.shape, dtype=bool)


def test_cusum_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.3: both sums as printed to two decimals, and the signal at reading 14."""
    z, used = one_series([
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350])
    chart = tabular_cusum(z - 325.0, used, k=0.3175, h=4.1959)
    high = {5: 0.03, 13: 3.01, 14: 4.94, 15: 7.45, 16: 10.63, 17: 11.99, 18: 14.44, 19: 16.00, 20: 19.04}
    low = {2: 0.01, 4: 0.33, 7: 0.56, 8: 0.72, 9: 0.17, 10: 0.25, 11: 0.31}
    for printed, computed in ((high, chart.high[0]), (low, chart.low[0])):
        expected = np.array([printed.get(reading, 0.0) for reading in range(1, 21)])
        assert computed == pytest.approx(expected, abs=0.0051)
    assert chart.signal[0].tolist() == [0] * 13 + [1] * 7
    assert chart.rise_since[0, 13] == 13


def test_cusum_of_montgomery_and_runger():
    """Montgomery & Runger, Applied Statistics and Probability for Engineers, Example 16-6: both sums, no signal."""
    z, used = one_series([
        102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1,
        101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0])
    chart = tabular_cusum(z - 99.0, used, k=1.0, h=10.0)
    assert chart.high[0] == pytest.approx([2.0, 0, 0, 0, 2.0, .5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, .3, 1.7, 0, 1.0])
    assert chart.low[0] == pytest.approx([0, 3.2, 2.9, 2.5, 0, 0, 0, .3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, .8, 0])
    assert not chart.signal.any()


def test_ewma_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.4: all twenty levels, and the limits 52.588 and 47.411 for s = 2.0539."""
    z, used = one_series([
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
        49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    chart = ewma(z, used, 0.3, start=50.0, variance=2.0539**2)
    assert chart.level[0] == pytest.approx([
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99], abs=0.0051)
    reach = 3.0 * chart.sd_settled[0, -1]
    # The lower limit is printed as 47.4115, cut and not rounded.
    assert (50.0 + reach, 50.0 - reach) == (pytest.approx(52.588, abs=6e-4), pytest.approx(47.411, abs=6e-4))
    assert (np.abs(chart.level[0] - 50.0) < reach).all()


def test_individuals_chart_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.2: centre 50.81, limits 55.8041 and 45.8159 from the moving range."""
    limits = individuals_limits(np.array(TEN_OF_EWMA_EXAMPLE))
    assert limits.centre == pytest.approx(50.81, abs=1e-9)
    assert limits.high == pytest.approx(55.8041, abs=5.1e-5)
    assert limits.low == pytest.approx(45.8159, abs=5.1e-5)


def test_c_chart_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 6.3.3.1: centre 16, limits 28 and 4, sample 24 out."""
    counts = np.array([
        16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13])
    limits = c_chart_limits(float(counts.mean()))
    assert (limits.centre, limits.low, limits.high) == (16.0, 4.0, 28.0)
    assert (np.flatnonzero((counts > limits.high) | (counts < limits.low)) + 1).tolist() == [24]


def test_laney_u_prime_of_cracks_in_wire():
    """NIST Dataplot UCC.DAT (Ishikawa, Guide to Quality Control): ū 2.118919, σ_z 0.471589, nothing out."""
    text = (DATA / "nist_ucc_cracks_in_wire.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    chart = laney_u(np.array([float(r["defects"]) for r in rows]), np.array([float(r["length_m"]) for r in rows]))
    assert chart.centre == pytest.approx(2.118919, abs=5e-7)
    assert chart.sigma_z == pytest.approx(0.471589, abs=5.1e-7)
    rates = np.array([float(r["defects"]) / float(r["length_m"]) for r in rows])
    assert ((rates > chart.low) & (rates < chart.high)).all()


@pytest.fixture(scope="module")
def mass_standard():
    """The 217 readings of the kilogram check standard, standardised by the 99 readings before 1985."""
    text = (DATA / "nist_mass_check_standard.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    value = np.array([float(row["value_mg"]) for row in rows])
    early = np.array([row["taken_at"] < "1985" for row in rows])
    return value, early


def test_mass_standard_statistics(mass_standard):
    """NIST/SEMATECH e-Handbook 2.2.2.1.1 and 2.3.5.2, MASS.DAT: mean and spread before and after 1985."""
    value, early = mass_standard
    assert (early.sum(), (~early).sum()) == (99, 118)
    assert value[early].mean() == pytest.approx(-19.4785099, abs=5e-8)
    assert value[early].std(ddof=1) == pytest.approx(0.0306523, abs=5e-8)
    assert value[~early].mean() == pytest.approx(-19.4527812, abs=5e-8)
    assert value[~early].std(ddof=1) == pytest.approx(0.0357958, abs=5e-8)


def test_mass_standard_first_signals(mass_standard):
    """NIST MASS.DAT: CUSUM(0.5, 5) and EWMA(0.2, 3 sigma) first signal at reading 43, |z| > 3 first at reading 154."""
    value, _ = mass_standard
    z, used = one_series((value + 19.4785099) / 0.0306523)
    assert np.flatnonzero(tabular_cusum(z, used, 0.5, 5.0).signal[0])[0] + 1 == 43
    chart = ewma(z, used, 0.2)
    assert np.flatnonzero(np.abs(chart.level[0]) > 3.0 * chart.sd_settled[0])[0] + 1 == 43
    assert np.flatnonzero(outside_limits(z, used, 3.0)[0])[0] + 1 == 154


def test_likelihood_cusum_is_the_tabular_one_where_variances_are_equal(mass_standard):
    """On NIST MASS.DAT, the sum in nats for a shift of 2k sigma is 2k times the tabular sum."""
    value, _ = mass_standard
    sigma, k = 0.0306523, 0.5
    y, used = one_series(value + 19.4785099)
    nats = likelihood_cusum(y, np.full(y.shape, sigma**2), used, np.array([2 * k * sigma]))
    tabular = tabular_cusum(y / sigma, used, k, 5.0)
    assert nats.statistic[0, 1] == pytest.approx(2 * k * tabular.high, rel=1e-9, abs=1e-12)
    assert nats.statistic[0, 0] == pytest.approx(2 * k * tabular.low, rel=1e-9, abs=1e-12)
    assert (nats.since[0, 1] == tabular.rise_since).all()
