"""The price of a budget: the thresholds in force, walked, against computed run lengths, the chart core and plain sums."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from analytics.charts import price
from analytics.charts.budget import SHARES, SIZES_K, checks_between_false_alarms, threshold_nats
from analytics.charts.combined import combined_rows, mean_run_length
from analytics.charts.habit import checks_to_pass_limit, checks_to_pass_limit_by_drift
from analytics.charts.limits_in_force import mean_off_pct, shares
from analytics.charts.price_document import price_document
from analytics.charts.run_length import cusum_mean_run_lengths, shewhart_mean_run_lengths
from analytics.errors import UserError
from tests.charts.plain_rows import chart, plain_rows

WEEKLY = price.Situation(0.05, 7.0, counts=5000.0, repositioning_pct=1.0)


@pytest.fixture(scope="module")
def document():
    """The contract's own question."""
    return price_document(WEEKLY)


def test_noise_is_counting_and_repositioning():
    """5000 counts and 1 % give √(2 + 1) %; a jig is never believed to place better than 0.2 %."""
    assert WEEKLY.noise_pct == pytest.approx(math.sqrt(3.0))
    assert dataclasses.replace(WEEKLY, repositioning_pct=0.0).placing_pct == pytest.approx(0.2)


def test_limits_are_the_ones_in_force(document):
    """Run lengths are those of the budget's shares at the cadence, thresholds of the response those of the core."""
    by_family = {one["family"]: one for one in document["limits"]["shares"]}
    assert set(by_family) == set(SHARES)
    for family, one in by_family.items():
        days = 182.0 if family == "window_shift" else 7.0
        asked = float(checks_between_false_alarms(0.05, family, np.array(days)))
        assert one["checks_between_false_alarms"] == pytest.approx(asked)
    assert sum(one["false_alarms_per_probe_year"] for one in by_family.values()) == pytest.approx(0.05)
    for k, one in zip(SIZES_K, document["limits"]["sizes"], strict=True):
        # Five sixths of what two even sides may spend go to falls: 1/(2·arl0) a check becomes (5/6)/arl0.
        arl0 = 0.6 * by_family["response"]["checks_between_false_alarms"]
        assert one["threshold_nats"] == pytest.approx(float(threshold_nats(np.array(arl0), k)))


def test_without_dead_band_the_price_is_that_of_the_combined_chart():
    """Mean checks are the run lengths of `design --chart combined` at the same step in sigma, times the cadence in days."""
    plain = dataclasses.replace(WEEKLY, dead_band_pct=0.0)
    sigma = WEEKLY.noise_pct / 100.0
    (row,) = combined_rows(0.6 * WEEKLY.checks_between_false_alarms, shifts=[-math.log(0.97) / sigma])
    (one,) = price.delays(plain, [3.0], [])
    assert one.checks == pytest.approx(row["mean_run_length"], rel=0.03)
    assert one.days == pytest.approx(7.0 * one.checks)
    assert one.days_without_dead_band == one.days


def test_a_dead_band_raises_the_reference_value_of_each_sum():
    """Behind a dead band δ the slowest sum alone is the CUSUM with k + δ; the six together lie just below the least."""
    k, h = np.array(SIZES_K), np.array([float(threshold_nats(np.array(1000.0), one)) for one in SIZES_K])
    singly = [
        cusum_mean_run_lengths(a + 0.3, b / (2 * a), shifts=[1.0])[0] for a, b in zip(k.tolist(), h.tolist(), strict=True)
    ]
    together = mean_run_length(1000.0, shift=1.0, dead_band=0.3)
    assert 0.75 * min(singly) < together.mean < min(singly)


def test_the_walk_is_the_chart_core_itself():
    """First signals of the core on simulated steps, with its dead band, come after as many checks as the price says."""
    arl0, band, step, before = 500.0, 0.3, 1.2, 4
    rng = np.random.default_rng(3)
    units, checks = 400, 40
    y = rng.standard_normal((units, before + checks))
    y[:, before:] -= step
    y[:, :before] = 0.0
    rows = plain_rows([before + checks] * units, 0.01 * y.ravel())
    ratio = chart(
        rows, 0.01**2, reference=0.0, reference_variance=0.0, arl0=arl0, dead_band=0.01 * band
    ).ratio_low.reshape(units, -1)[:, before:]
    first = np.where((ratio > 1.0).any(axis=1), (ratio > 1.0).argmax(axis=1) + 1, checks)
    said = mean_run_length(arl0, shift=step, dead_band=band)
    # The core's splits lie on a grid from 13 checks on, and the quiet start is four checks of exactly 0.
    assert first.mean() == pytest.approx(said.mean, abs=4.0 * first.std() / math.sqrt(units) + 0.03 * said.mean)


def test_a_lone_first_check_never_alarms():
    """A loss far beyond four standard deviations takes two checks, since the first asks for a repeat."""
    (one,) = price.delays(WEEKLY, [20.0], [])
    assert one.checks == 2.0
    assert one.days == 14.0


def test_larger_budgets_and_longer_countings_signal_sooner(document):
    """Delay falls with the budget and with the counting time, down to what repositioning leaves; more for more loss."""
    days = [
        price.delays(dataclasses.replace(WEEKLY, budget_per_probe_year=one), [2.0], [])[0].days
        for one in (0.02, 0.05, 0.1, 0.2)
    ]
    assert days == sorted(days, reverse=True)
    longer = [one["days_drift_10_pct_per_year"] for one in document["counting_time"]]
    assert longer == sorted(longer, reverse=True)
    assert document["counting_time"][-1]["check_pct"] == pytest.approx(1.0, abs=1e-3)
    for kind in ("steps", "drifts"):
        assert [one["days"] for one in document[kind]] == sorted((one["days"] for one in document[kind]), reverse=True)


def test_the_old_habit_is_computed():
    """A fixed ±10 % on a 2 % a month loss takes about five months (ln 0.9/ln 0.98 = 5.2); on a step it is 1/p checks."""
    (one,) = price.delays(WEEKLY, [], [price.TWO_PCT_A_MONTH])
    months = one.days_fixed_limit / (365.25 / 12)
    assert 4.0 < months < 5.2
    assert one.days < 0.5 * one.days_fixed_limit
    sigma, low = 0.01, -math.log(0.9)
    loss = low - 0.5 * sigma
    p = 0.5 * math.erfc(0.5 / math.sqrt(2.0))
    assert checks_to_pass_limit(loss, limit_pct=10.0, noise=sigma) == pytest.approx(1.0 / p)


def test_the_old_habits_drift_is_a_shewhart_chart_under_drift():
    """Far from the other limit it is the two-sided Shewhart chart's run length under drift, computed by other code."""
    sigma, rate = 0.02, 0.002
    (expected,) = shewhart_mean_run_lengths(-math.log(0.9) / sigma, drifts=[rate / sigma])
    found = checks_to_pass_limit_by_drift(rate, limit_pct=10.0, noise=sigma)
    assert found == pytest.approx(expected, rel=1e-4)


def test_the_mean_of_the_newest_checks_is_where_the_core_signals():
    """Checks that all lie a hair beyond the given mean signal at that number of checks, a hair below they do not."""
    sigma, band, arl0 = 0.0173, math.log1p(0.005), 1739.0
    off = mean_off_pct(arl0, sigma, band)
    for number in (3, 8, 13):
        for hair, signals in ((1.001, True), (0.999, False)):
            fall = math.log1p(-off[number] / 100.0) * hair
            rows = plain_rows([4 + number], [0.0] * 4 + [fall] * number)
            made = chart(rows, sigma**2, reference=0.0, reference_variance=0.0, arl0=arl0, dead_band=band)
            assert (made.ratio_low[-1] > 1.0) == signals


def test_shares_count_window_checks_at_their_own_cadence():
    """Half-yearly window checks spend their share over two checks a year."""
    window = next(one for one in shares(0.05, 7.0, 182.0, 20) if one.family == "window_shift")
    assert window.false_alarms_per_probe_year == pytest.approx(0.05 * SHARES["window_shift"])
    assert window.checks_between_false_alarms == pytest.approx(365.25 / 182.0 / (0.05 * SHARES["window_shift"]))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"budget_per_probe_year": 0.0}, "--budget"),
        ({"budget_per_probe_year": -0.05}, "--budget"),
        ({"budget_per_probe_year": math.nan}, "--budget"),
        ({"budget_per_probe_year": 365.0}, "--budget"),
        ({"cadence_days": 0.0}, "--cadence-days"),
        ({"cadence_days": math.inf}, "--cadence-days"),
        ({"counts": 0.0}, "--counts"),
        ({"repositioning_pct": -1.0}, "--repositioning-pct"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_bounds(change, said):
    """Nought, negative, absurd and missing numbers raise an error that names the option."""
    with pytest.raises(UserError) as caught:
        dataclasses.replace(WEEKLY, **change)
    assert said in str(caught.value)


def test_what_never_signals_has_no_number():
    """A step inside the dead band that is not seen within a million checks is None, in every column it concerns."""
    sharp = price.Situation(0.01, 7.0, counts=1e7, repositioning_pct=0.2, dead_band_pct=2.0)
    (one,) = price.delays(sharp, [1.0], [])
    assert one.days is None
    assert one.checks is None
    assert one.days_without_dead_band == pytest.approx(14.0, abs=7.0)


@pytest.mark.parametrize("asked", [{"shift": 0.25}, {"shift": 3.0}, {"drift": 0.002}])
def test_the_control_variate_leaves_the_mean_alone(asked):
    """Two seeds agree within their standard errors, and the plain mean of walked runs lies within its own."""
    one, other = (mean_run_length(300.0, **asked, seed=seed) for seed in (1, 2))
    assert abs(one.mean - other.mean) < 4.0 * math.hypot(one.standard_error, other.standard_error)
    rng, runs = np.random.default_rng(8), 2000
    d = 2.0 * np.array((*SIZES_K, *(-k for k in SIZES_K)))[:, None]
    h = np.tile([float(threshold_nats(np.array(300.0), k)) for k in SIZES_K], 2)[:, None]
    sums, length, number = np.zeros((6, runs)), np.zeros(runs), 0
    while (length == 0).any():
        number += 1
        level = asked.get("shift", 0.0) + asked.get("drift", 0.0) * number
        sums = np.maximum(0.0, sums + d * (level + rng.standard_normal(runs)) - d * d / 2)
        length[(length == 0) & (sums > h).any(axis=0)] = number
    error = length.std() / math.sqrt(runs)
    assert abs(length.mean() - one.mean) < 4.0 * math.hypot(error, one.standard_error)
