"""The verdict while numbers are typed."""

from __future__ import annotations

import numpy as np
import pytest

from analytics import settings as settings_module
from analytics.advice.bench_expectation import Bench, Counting, expect
from analytics.advice.bench_verdict import judge, judge_background, judge_window
from tests.advice import bench_case as case

SETTINGS = settings_module.load()
BENCH = Bench("GP-1", "Co-57", "CK-1")


def verdict(*placements: int, **changes):
    """The verdict on placements of one 10-s counting each, where 20,000 counts are expected."""
    expected = expect(
        case.assessment(**changes), case.records(), SETTINGS, BENCH, case.AS_OF, background=[Counting(50, 10.0)]
    )
    return judge(expected, [[Counting(counts, 10.0)] for counts in placements], SETTINGS)


def test_a_count_as_expected_needs_nothing_more():
    """20,050 gross of an expected 20,050 are 100 %, allowed, with no repeat."""
    made = verdict(20_050)
    assert (made.word, made.repeat, made.patient_use) == ("as_expected", False, "allowed")
    assert made.ratio_pct == pytest.approx(100.0)


@pytest.mark.parametrize("counts", [17_000, 23_000])
def test_one_count_beyond_tolerance_asks_for_a_reseated_repeat(counts):
    """A single placement beyond tolerance is not concluded from: repeat first."""
    made = verdict(counts)
    assert (made.word, made.repeat, made.patient_use) == ("tolerance", True, "repeat_first")


def test_a_repeat_that_agrees_is_believed():
    """Two placements 15 % low: not for patient use until cleared, and no third is asked for."""
    made = verdict(17_000, 17_100)
    assert (made.word, made.repeat, made.patient_use) == ("tolerance", False, "not_until_cleared")


def test_two_placements_that_disagree_ask_for_a_third():
    """A good count after a bad one settles nothing by itself."""
    made = verdict(15_000, 20_000)
    assert (made.word, made.repeat, made.patient_use) == ("cannot_tell", True, "repeat_first")


def test_the_third_placement_decides_by_the_median():
    """One blunder of three does not count."""
    assert verdict(15_000, 20_000, 20_100).word == "as_expected"


def test_above_the_action_level_the_cause_is_to_be_found():
    """7 % low twice: action level, within tolerance, in use."""
    made = verdict(18_650, 18_660)
    assert (made.word, made.patient_use) == ("action", "allowed")


def test_a_probe_known_to_have_drifted_is_not_asked_to_repeat():
    """7 % low is far from a reference, but where this probe stands already: no repeat, still above the action level."""
    drifted = verdict(18_650, all_series=(case.series(current_pct=93.0),))
    fresh = verdict(18_650)
    assert (drifted.word, drifted.repeat) == ("action", False)
    assert (fresh.word, fresh.repeat, fresh.patient_use) == ("action", True, "repeat_first")


def test_no_signal_is_no_ratio():
    """A count at background level is no signal; twice in a row, not until cleared."""
    once, twice = verdict(52), verdict(52, 49)
    assert (once.word, once.ratio_pct, once.patient_use) == ("no_signal", None, "repeat_first")
    assert (twice.word, twice.patient_use, twice.repeat) == ("no_signal", "not_until_cleared", False)


def test_a_good_count_does_not_clear_a_probe():
    """A probe out of patient use stays out, however good the count: a named person clears it."""
    made = verdict(20_050, probes=(case.probe(patient_use="not_until_cleared"),))
    assert (made.word, made.patient_use) == ("as_expected", "not_until_cleared")
    assert "named person" in made.sentences[-1]


def test_without_a_reference_nothing_is_concluded():
    """A probe without a reference gets no verdict and is cleared of nothing."""
    expected = expect(case.assessment(), case.records(), SETTINGS, Bench("GP-9", "Co-57", "CK-1"), case.AS_OF)
    made = judge(expected, [[Counting(20_000, 10.0)]], SETTINGS)
    assert made.word == "cannot_tell"
    assert "clears nothing" in made.sentences[-1]


def test_nothing_typed_is_no_verdict():
    """Before the first count there is nothing to tell."""
    assert verdict().word == "cannot_tell"


def test_the_interval_holds_the_truth_nine_times_in_ten():
    """Over 2,000 simulated sound checks the 90 % interval holds 100 % in 88 to 92 of 100."""
    rng = np.random.default_rng(5)
    expected = expect(
        case.assessment(), case.records(), SETTINGS, BENCH, case.AS_OF, background=[Counting(5000, 1000.0)]
    )
    held = 0
    for _ in range(2000):
        counts = rng.poisson(10 * (2000 * np.exp(rng.normal(0, expected.placement_sd)) + 5))
        low, high = judge(expected, [[Counting(int(counts), 10.0)]], SETTINGS).interval_pct
        held += low <= 100 <= high
    assert 0.88 <= held / 2000 <= 0.92


def test_a_raised_background_is_told_from_a_usual_one():
    """At a usual 5 cps, 52 counts in 10 s are usual and 120 are not."""
    known = case.assessment(all_series=(case.series(quantity="background", value=5.0, unit="cps"),))
    assert judge_background(known, SETTINGS, BENCH, [Counting(52, 10.0)]).good is True
    assert judge_background(known, SETTINGS, BENCH, [Counting(120, 10.0)]).good is False


def test_a_background_without_history_is_neither_good_nor_bad():
    """With no usual level nothing is concluded."""
    assert judge_background(case.assessment(), SETTINGS, BENCH, [Counting(52, 10.0)]).good is None


@pytest.mark.parametrize(
    ("below", "centre", "above", "good"),
    [(9_000, 20_000, 8_000, True), (21_000, 20_000, 8_000, False), (9_000, 20_000, 19_950, False)],
)
def test_a_window_is_centred_where_the_peak_count_surely_leads(below, centre, above, good):
    """Centred: the count on the photopeak is above both others by more than chance."""
    made = judge_window(Counting(below, 10.0), [Counting(centre, 10.0)], Counting(above, 10.0))
    assert made.good is good


def test_a_window_check_needs_all_three_positions():
    """With one side missing nothing is said about the centring."""
    assert judge_window(None, [Counting(20_000, 10.0)], Counting(8_000, 10.0)).good is None
