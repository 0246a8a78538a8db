"""Looking back on a probe: constructed cases whose answer is known, a reference library, and coverage on simulated checks."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from analytics.advice.likely_response import likely_response
from analytics.advice.look_back import look_back
from analytics.records import snapshot
from analytics.records.snapshot import Records
from analytics.results import POINT_COLUMNS, Alert
from tests.advice import bench_case as case

FIRST = datetime(2025, 9, 1, 8, 0)
SD = 0.01  # of a check, as a share
LIMITS = (np.log(0.9), np.log(1.1))


def check_at(week: int) -> datetime:
    """When the check of a week was taken."""
    return FIRST + timedelta(weeks=week)


def points(shares, flags=None, *, reference: float = 20.0, spread: float = SD) -> pd.DataFrame:
    """Weekly points of one series; shares of the reference, NaN without signal."""
    value = reference * np.array(shares, float)
    flag = flags or ["no_signal" if np.isnan(one) else "used" for one in shares]
    made = {
        "series": 0, "check": np.arange(len(value)),
        "check_at": np.array([check_at(n) for n in range(len(value))], "datetime64[us]"),
        "value": value, "corrected": value,
        "value_low": value * np.exp(-1.6448536 * SD), "value_high": value * np.exp(1.6448536 * SD),
        "expected": reference, "limit_low": reference * np.exp(-3 * spread), "limit_high": reference * np.exp(3 * spread),
        "flag": flag,
    }  # fmt: skip
    return pd.DataFrame({name: made.get(name, np.nan) for name in POINT_COLUMNS})


def told(shares, found_week, *, rule="tolerance", flags=None, spread=SD, as_of=None, **tables):
    """The look back on a probe with these checks, whose alarm was tipped by the check of a week (None: no alarm)."""
    alerts = ()
    if found_week is not None:
        alerts = (Alert("E-1", rule, check_at(found_week), None, None, "low", "Beyond."),)
    one = replace(case.series(), alerts=alerts, tolerance_pct=10.0, readings=len(shares))
    assessment = replace(
        case.assessment((case.probe("GP-1"),), (one,)), points=points(shares, flags, spread=spread),
        as_of=as_of or check_at(len(shares)),
    )  # fmt: skip
    return look_back(assessment, case.records(**tables), "GP-1")


def uses(*moments):
    """The table of uses of GP-1."""
    return {"probe": ["GP-1"] * len(moments), "used_at": list(moments), "case_reference": [f"C{n}" for n in range(len(moments))]}


STEP = [1.0] * 15 + [0.88] * 5  # it fell by 12 % between the checks of weeks 14 and 15


def test_a_step_is_bracketed_by_the_last_good_check_and_the_first_one_out():
    """A fall by 12 % between two weekly checks: good in week 14, out in week 15, found in week 16, and not over."""
    (doubt,) = told(STEP, 16).doubts
    assert doubt.last_good.at == check_at(14)
    assert doubt.first_out.at == check_at(15)
    assert doubt.first_out.pct == pytest.approx(88.0)
    assert doubt.found_at == check_at(16)
    assert doubt.ended_at is None
    assert check_at(14) <= doubt.possibly_out_at <= check_at(15)


def test_between_two_checks_the_interval_holds_both_ends_of_a_step():
    """Halfway between the good check and the one out, nobody knows: the interval reaches from 88 to 100 %; after it, it is narrow."""
    (doubt,) = told(STEP, 16).doubts
    halfway = min(doubt.likely, key=lambda one: abs(one.at - (check_at(14) + timedelta(days=3.5))))
    assert halfway.low_pct < 89.0
    assert halfway.high_pct > 99.0
    assert halfway.probability_beyond == pytest.approx(0.5, abs=0.1)
    after = next(one for one in doubt.likely if one.at == check_at(16))
    assert (after.low_pct, after.high_pct) == (pytest.approx(88.0, abs=1.5), pytest.approx(88.0, abs=1.5))
    assert after.probability_beyond > 0.95


def test_each_use_is_listed_with_what_the_response_likely_was():
    """Uses before the last good check are left out; those after it carry the response and whether the alarm stood."""
    when = [check_at(14) - timedelta(hours=1), check_at(14) + timedelta(hours=2), check_at(15) + timedelta(days=3), check_at(18)]
    (doubt,) = told(STEP, 16, uses=uses(*when)).doubts
    assert [one.used_at for one in doubt.uses] == when[1:]
    assert [one.after_found for one in doubt.uses] == [False, False, True]
    assert [one.likely.pct for one in doubt.uses] == [pytest.approx(100, abs=1), pytest.approx(88, abs=1), pytest.approx(88, abs=1)]


def test_a_use_of_which_only_the_day_is_known_counts_with_its_whole_day():
    """A use on the day of the last good check, without a time, may have come after it: it is in doubt."""
    midnight = check_at(14).replace(hour=0)
    (doubt,) = told(STEP, 16, uses=uses(midnight)).doubts
    assert doubt.uses[0].day_only
    assert not doubt.uses[0].after_found


def test_what_is_missing_is_said():
    """No uses for the probe at all, and none within the doubt, are two things."""
    (none,) = told(STEP, 16).doubts
    assert "No uses recorded" in none.missing[0]
    (outside,) = told(STEP, 16, uses=uses(check_at(3), check_at(4))).doubts
    assert "None of the 2 recorded uses" in outside.missing[0]


def test_a_probe_never_out_says_so_and_what_that_is_worth():
    """No alarm: no doubt, and the sentence names the number of checks."""
    sound = told([1.0] * 20, None)
    assert sound.doubts == ()
    assert "Never found beyond the tolerance of 10 %" in sound.says
    assert "20 charted checks" in sound.says


def test_a_good_check_is_one_whose_whole_interval_lies_inside():
    """A check at 91 % ± 1.6 % reaches out of the tolerance and verifies nothing; the one at 95 % before it does."""
    (doubt,) = told([1.0] * 12 + [0.95, 0.91, 0.88, 0.87], 15).doubts
    assert doubt.last_good.at == check_at(12)


def test_without_a_good_check_the_doubt_has_no_beginning():
    """A tolerance narrower than the spread is verified by no check: all uses before the find are in doubt, and it is said."""
    (doubt,) = told(STEP, 16, spread=0.2, uses=uses(check_at(1))).doubts
    assert doubt.last_good is None
    assert len(doubt.uses) == 1
    assert "has no beginning" in doubt.missing[0]


def test_set_aside_checks_verify_nothing():
    """A lone outlier inside the tolerance is not charted, so it is no good check."""
    flags = ["used"] * 14 + ["lone_outlier"] + ["used"] * 5
    (doubt,) = told(STEP, 16, flags=flags).doubts
    assert doubt.last_good.at == check_at(13)


def test_clearing_ends_it():
    """A person clears the probe in week 17: uses after that are in no doubt."""
    decisions = {"decision_id": [1], "probe": ["GP-1"], "decided_at": [check_at(17)], "kind": ["cleared"], "by": ["A. Lind"]}
    (doubt,) = told(STEP, 16, decisions=decisions, uses=uses(check_at(16), check_at(18))).doubts
    assert doubt.ended_at == check_at(17)
    assert "A. Lind" in doubt.ended_by
    assert [one.used_at for one in doubt.uses] == [check_at(16)]


def test_a_service_and_a_good_check_after_it_end_it():
    """Repaired in week 17 and good again in week 19: it is over with that check, not with the repair."""
    events = {"event_id": [1], "probe": ["GP-1"], "happened_at": [check_at(17)], "kind": ["repair"], "new_reference": [True]}
    (doubt,) = told([1.0] * 15 + [0.88] * 4 + [1.0] * 3, 16, events=events).doubts
    assert doubt.ended_at == check_at(19)
    assert doubt.ended_by.startswith("Repair on")


def test_no_signal_has_no_likely_response():
    """Two checks without signal: found by the second, out since the first, and no number is made up for the time after."""
    (doubt,) = told([1.0] * 15 + [np.nan] * 3, 16, rule="no_signal", uses=uses(check_at(16))).doubts
    assert (doubt.last_good.at, doubt.first_out.at, doubt.first_out.pct) == (check_at(14), check_at(15), None)
    assert max(one.at for one in doubt.likely) < check_at(15)
    assert doubt.uses[0].likely is None
    assert any("no checks with a signal" in one for one in doubt.missing)


def test_two_checks_out_and_back_are_told_as_such():
    """Out for two weeks and back: the likely response is low then and whole before and after."""
    (doubt,) = told([1.0] * 12 + [0.85, 0.85] + [1.0] * 8, 13).doubts
    by_moment = {one.at: one for one in doubt.likely}
    assert by_moment[check_at(13)].pct == pytest.approx(85.0, abs=1.0)
    assert by_moment[check_at(16)].pct == pytest.approx(100.0, abs=1.0)


def test_nothing_later_than_the_moment_takes_part():
    """A use and a clearing dated after the moment of the answer do not exist for it."""
    decisions = {"decision_id": [1], "probe": ["GP-1"], "decided_at": [check_at(25)], "kind": ["cleared"], "by": ["A. Lind"]}
    (doubt,) = told(STEP, 16, decisions=decisions, uses=uses(check_at(24)), as_of=check_at(20)).doubts
    assert doubt.ended_at is None
    assert doubt.uses == ()


def test_excluded_readings_within_the_doubt_are_pointed_at():
    """A reading that a person excluded after the last good check is named, since it may hide when it began."""
    hidden = {"reading_id": [7], "probe": ["GP-1"], "taken_at": [check_at(15)], "window": ["Co-57"], "measurement": ["source"],
              "counts": [100.0], "count_time_s": [10.0], "excluded": [True]}  # fmt: skip
    alert = Alert("E-1", "tolerance", check_at(16), None, None, "low", "Beyond.")
    one = replace(case.series(), alerts=(alert,), tolerance_pct=10.0)
    assessment = replace(case.assessment((case.probe("GP-1"),), (one,)), points=points(STEP), as_of=check_at(20))
    records = replace(case.records(), readings=Records.table(snapshot.READINGS, hidden))
    (doubt,) = look_back(assessment, records, "GP-1").doubts
    assert doubt.excluded_reading_ids == (7,)
    assert any("excluded by a person" in text for text in doubt.missing)


def test_a_plain_fall_agrees_with_weighted_least_squares():
    """Where the kink is plain, level and error at its end are those of statsmodels' WLS on the same regressor."""
    rng = np.random.default_rng(5)
    t = np.arange(30.0) * 7
    kink = np.maximum(t - t[12], 0.0)
    sd = rng.uniform(0.004, 0.008, 30)
    y = -0.003 * kink + sd * rng.standard_normal(30)
    fit = sm.WLS(y, np.column_stack([np.ones(30), kink]), weights=1 / sd**2).fit()
    mine = likely_response(t, y, sd**2, t[-1:], limits=LIMITS)
    error = np.sqrt(np.array([1, kink[-1]]) @ fit.normalized_cov_params @ np.array([1, kink[-1]]))
    assert mine.middle[0] == pytest.approx(fit.predict([[1, kink[-1]]])[0], abs=0.6 * error)
    assert (mine.high[0] - mine.low[0]) / 3.29 == pytest.approx(error, rel=0.5)


def test_the_interval_holds_the_truth_as_often_as_it_says():
    """Steps and ramps of random size and time, 12 weekly checks: the 90 % interval at a random moment holds the truth in 85 to 96 of 100."""
    rng = np.random.default_rng(20260)
    held = []
    for number in range(160):
        t = np.arange(12.0) * 7
        begin, size = rng.uniform(7, 70), rng.uniform(-0.2, 0.2)
        moments = rng.uniform(0, t[-1], 4)
        if number % 2:
            truth, at = size * (t > begin), size * (moments > begin)
        else:
            truth, at = size / 60 * np.maximum(t - begin, 0), size / 60 * np.maximum(moments - begin, 0)
        found = likely_response(t, truth + 0.01 * rng.standard_normal(12), np.full(12, 1e-4), moments, limits=LIMITS)
        held.append((found.low <= at) & (at <= found.high))
    assert 0.85 <= np.mean(held) <= 0.96


def test_too_few_checks_give_no_answer():
    """Two checks tell of no change."""
    assert likely_response(np.array([0.0, 7.0]), np.zeros(2), np.full(2, 1e-4), np.array([3.0]), limits=LIMITS) is None
