"""Coverage, its interval and the conformal factor, against a reference library and simulated forecasts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from scipy.stats import binomtest

from analytics.replays.binomial import effective_cases, share_interval
from analytics.replays.coverage import Case, Coverage, cover, recalibrate, score

HALF = 1.6448536269514722  # standard normal quantile of 95 %


@pytest.mark.parametrize(("hits", "cases"), [(0, 10), (1, 1), (9, 10), (45, 50), (88, 100), (300, 300)])
def test_the_interval_is_that_of_clopper_and_pearson(hits, cases):
    """For whole cases the interval is the exact one of scipy.stats.binomtest."""
    expected = binomtest(hits, cases).proportion_ci(confidence_level=0.90, method="exact")
    assert share_interval(hits, cases) == pytest.approx((expected.low, expected.high), abs=1e-12)


def test_no_case_says_nothing():
    """Without a case the share may be anything, and there is no coverage."""
    assert share_interval(0, 0) == (0.0, 1.0)
    nothing = cover([], [], [], 90.0)
    assert (nothing.coverage_pct, nothing.interval_pct, nothing.bounds_pct) == (None, None, None)
    assert not nothing.enough


@examples(max_examples=40, deadline=None)
@given(st.lists(st.booleans(), min_size=2, max_size=40))
def test_cases_that_stand_alone_count_in_full(hits):
    """Where no two cases belong together there are as many independent cases as cases."""
    assert effective_cases(hits, list(range(len(hits)))) == pytest.approx(len(hits))


@pytest.mark.parametrize("copies", [3, 12])
def test_copies_of_a_case_add_nothing(copies):
    """Twelve month ends that repeat one verdict are worth one: the interval does not get narrower."""
    rng = np.random.default_rng(3)
    hits = rng.random(30) < 0.7
    effective = effective_cases(np.repeat(hits, copies).tolist(), np.repeat(np.arange(30), copies).tolist())
    assert 29.0 <= effective <= 30.0


@examples(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.integers(0, 5)), min_size=1, max_size=60))
def test_never_more_cases_than_there_are(cases):
    """Bunching takes cases away and never adds any; the interval always holds the share."""
    hits, bunch = zip(*cases, strict=True)
    effective = effective_cases(hits, bunch)
    assert 0.0 < effective <= len(hits) + 1e-9
    share = sum(hits) / len(hits)
    low, high = share_interval(share * effective, effective)
    assert low - 1e-9 <= share <= high + 1e-9


def test_the_bunched_interval_holds_the_truth():
    """Simulated histories of ten drifts with eight forecasts each, all alike within a drift: 90 % intervals hold 90 %."""
    rng = np.random.default_rng(8)
    held, plain = 0, 0
    for _ in range(400):
        hits = np.repeat(rng.random(10) < 0.8, 8)
        share = hits.mean()
        effective = effective_cases(hits.tolist(), np.repeat(np.arange(10), 8).tolist())
        low, high = share_interval(share * effective, effective)
        held += low <= 0.8 <= high
        low, high = share_interval(hits.sum(), len(hits))
        plain += low <= 0.8 <= high
    assert held >= 0.88 * 400
    assert plain < 0.6 * 400  # taken as independent, the same histories promise far too much


def test_counts_add_up():
    """Decided are held, sooner and later; open ones and those made too late are counted apart."""
    verdicts = ["held"] * 6 + ["sooner"] * 2 + ["later"] * 2 + ["open"] * 5 + ["already_passed"]
    passed = [True] * 9 + [False] + [False] * 5 + [True]
    one = cover(verdicts, list(range(16)), passed, 90.0)
    assert (one.decided, one.held, one.sooner, one.later, one.not_passed) == (10, 6, 2, 2, 1)
    assert (one.open, one.already_passed, one.drifts) == (5, 1, 10)
    assert one.coverage_pct == 60.0
    assert one.bounds_pct == pytest.approx((40.0, 100 * 11 / 15))


def log_normal_cases(rng, many, spread, said):
    """Forecasts whose true day is log-normal with ``spread`` about the median, and that state ``said`` instead."""
    middle = rng.uniform(60.0, 900.0, many)
    day = middle * np.exp(rng.normal(0.0, spread, many))
    return [
        Case(m * np.exp(-HALF * said), m, m * np.exp(HALF * said), d, True)
        for m, d in zip(middle, day, strict=True)]


def coverage_of(cases):
    """The coverage of these, each a drift of its own."""
    verdicts = [
        "sooner" if one.passed < one.early else "held" if one.passed <= one.late else "later" for one in cases]
    return cover(verdicts, list(range(len(cases))), [True] * len(cases), 90.0)


@pytest.mark.parametrize(("said", "factor"), [(0.15, 2.0), (0.1, 3.0), (0.6, 0.5)])
def test_the_factor_finds_what_the_intervals_lack(said, factor):
    """Intervals half, a third and twice as wide as they should be get factors of 2, 3 and ½."""
    cases = log_normal_cases(np.random.default_rng(1), 3000, 0.3, said)
    result = recalibrate(cases, coverage_of(cases))
    assert result.needed
    assert not result.at_least
    assert result.factor == pytest.approx(factor, rel=0.06)


def test_stretched_by_the_factor_new_intervals_hold_nine_in_ten():
    """The conformal promise: forecasts like those it was made from are held in 90 % or more, whatever their number."""
    rng, held, total = np.random.default_rng(2), 0, 0
    for _ in range(300):
        cases = log_normal_cases(rng, 26, 0.3, 0.15)
        result = recalibrate(cases[:25], coverage_of(cases[:25]))
        if result.factor is not None:
            held += score(cases[25]) <= result.factor
            total += 1
    assert total > 200
    assert held / total >= 0.87


def test_good_coverage_is_left_alone():
    """Between 85 and 95 % nothing is corrected, and it is said."""
    cases = log_normal_cases(np.random.default_rng(4), 2000, 0.3, 0.3)
    result = recalibrate(cases, coverage_of(cases))
    assert (result.needed, result.factor) == (False, None)
    assert "nothing to correct" in result.why


@pytest.mark.parametrize(("many", "drifts"), [(19, 19), (40, 4)])
def test_with_few_forecasts_or_few_drifts_nothing_is_called_off(many, drifts):
    """Nineteen forecasts, or forty on four drifts, do not say whether the intervals are right."""
    cases = log_normal_cases(np.random.default_rng(6), many, 0.3, 0.05)
    verdicts = ["held" if one.early <= one.passed <= one.late else "later" for one in cases]
    one = cover(verdicts, [n % drifts for n in range(many)], [True] * many, 90.0)
    result = recalibrate(cases, one)
    assert (result.needed, result.factor) == (False, None)
    assert "needed to say" in result.why


def test_days_not_seen_yet_make_the_factor_a_bound():
    """Forecasts whose day has not come, though their interval is over, stretch it by so much at least, and it is said."""
    cases = [Case(50.0, 100.0, 200.0, 110.0, True)] * 15 + [Case(50.0, 100.0, 200.0, 800.0, False)] * 10
    one = Coverage(90.0, 25, 15, 0, 10, 10, 0, 0, 25, 25.0, (40.0, 80.0))
    result = recalibrate(cases, one)
    assert result.at_least
    assert result.factor == pytest.approx(3.0)
    assert "at least" in result.why


def test_an_interval_that_ends_today_still_has_a_score():
    """An early end of today has no logarithm of days ahead; half a day stands for it."""
    assert np.isfinite(score(Case(0.0, 3.0, 30.0, 0.0, True)))
    assert score(Case(0.0, 3.0, 30.0, 0.0, True)) == pytest.approx(1.0)
