"""Probabilities of causes: they sum to one, follow the pattern, and give way to ``unknown``."""

from __future__ import annotations

from dataclasses import fields
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.advice.cause_signs import cause_signs
from analytics.advice.causes import CAUSES, PATTERNS, YES, cause_probabilities, early_loss, findings
from analytics.advice.evidence import Evidence
from analytics.advice.last_service import LastService
from analytics.advice.repairs_held import After
from analytics.results import Cause

LEVEL = {"change_point", "tolerance"}
MAYBE = st.sampled_from([None, True, False])
RULES = ["change_point", "cusum", "tolerance", "action_level", "no_signal", "background", "window_shift", "scatter",
         "side", "below_side_readings"]
EVIDENCE = st.builds(
    Evidence, probe=st.just("P"), open_rules=st.sets(st.sampled_from(RULES)), change_pct=st.floats(-60, 60),
    probability_ramp=st.floats(0, 1), probability_step=st.floats(0, 1), windows_disagree=MAYBE, window_moved=MAYBE,
    window_after_onset=st.booleans(), width_grew=MAYBE, background_high=st.booleans(), scatter_high=st.booleans(),
    scatter_low=st.booleans(), repeats_off=st.booleans(), outliers_low=st.integers(0, 9), no_signal=st.booleans(),
    side_high=MAYBE, companion=st.sampled_from([None, "battery"]), companion_nats=st.floats(6.5, 60),
    companion_explains=st.booleans(), background_steady=MAYBE, dropped=st.sampled_from([None, "2023-05-02"]),
    alarm_direction=st.sampled_from([None, "low", "high"]), spread_about_course=st.sampled_from([None, 0.9, 3.0]),
    moved=st.floats(0, 1), gradual=st.sampled_from([None, 0.1, 0.9]), windows_opposed=st.booleans(),
    goes_on=st.sampled_from([None, "efficiency_loss", "window_slip"]), not_held=st.floats(0, 1),
    repeats_made=st.booleans(), source_suspect=st.sampled_from([None, "CK-1"]))


def likeliest(**what):
    """The likeliest cause of some evidence, and how likely."""
    made = cause_probabilities(Evidence("P", **what))
    best = max(made, key=made.get)
    return best, made[best]


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(e=EVIDENCE)
def test_probabilities_sum_to_one_over_the_contracts_labels(e):
    """Whatever the evidence: labels of the contract, none negative, sum one, the likeliest first."""
    made = cause_probabilities(e)
    assert set(made) <= set(get_args(Cause))
    assert min(made.values()) >= 0
    assert sum(made.values()) == pytest.approx(1.0)
    assert list(made.values()) == sorted(made.values(), reverse=True)


@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(e=EVIDENCE)
def test_where_nothing_asks_there_is_no_cause(e):
    """No open alarm, companion, moved window, far checks, plain loss or service that did not hold: ``none``, for sure, and only then."""
    failed = e.goes_on is not None and e.not_held >= 0.5
    quiet = not e.open_rules and e.companion is None and not e.window_moved and e.outliers_low < 4 and not early_loss(e) and not failed
    assert (cause_probabilities(e) == {"none": 1.0}) == quiet


def test_a_plain_loss_needs_no_alarm_to_be_named_but_may_be_none():
    """Before the budget of alarms is used up a loss is named by its probability; the rest of it stays with ``none``."""
    made = cause_probabilities(Evidence("P", change_pct=-3.0, moved=0.9, gradual=0.9))
    assert next(iter(made)) == "efficiency_loss"
    assert made["none"] == pytest.approx(0.1, abs=0.01)
    assert cause_probabilities(Evidence("P", change_pct=-3.0, moved=0.45, gradual=0.9)) == {"none": 1.0}
    assert cause_probabilities(Evidence("P", change_pct=-1.5, moved=0.9, gradual=0.9)) == {"none": 1.0}


def test_what_a_service_did_not_end_is_still_the_cause():
    """The charts begin anew with a service that makes a reference; what it likely did not end is named though no alarm stands."""
    made = cause_probabilities(Evidence("P", goes_on="window_slip", not_held=0.8))
    assert made == pytest.approx({"window_slip": 0.72, "none": 0.2, "unknown": 0.08})
    assert cause_probabilities(Evidence("P", goes_on="window_slip", not_held=0.4)) == {"none": 1.0}


def part(what="response", **how):
    """What one quantity says of a service: nothing lost, nothing drifting, unless said otherwise."""
    usual = {"checks": 10, "drift_before": 0.0, "drift_before_sd": 0.05, "drift_after": 0.0, "drift_after_sd": 0.02,
             "lost": 0.0, "left": 0.0, "left_sd": 0.01, "log_odds": 2.0}
    return After(what, **(usual | how))


@pytest.mark.parametrize(("parts", "cause"), [
    ([part(drift_after=-0.08)], "efficiency_loss"),
    ([part(drift_before=-0.2)], "efficiency_loss"),
    ([part(left=-0.08)], "sudden_loss"),
    ([part(drift_after=-0.08, log_odds=9.0), part("window shift", log_odds=3.0)], "window_slip"),
    ([part(drift_after=-0.08), part("window shift", log_odds=-0.1)], "efficiency_loss"),
    ([part("scatter", log_odds=3.0), part(log_odds=-1.0)], "intermittent"),
    ([part(log_odds=-2.0)], None),
    ([], None),
])
def test_what_goes_on_is_told_by_what_speaks_for_it(parts, cause):
    """A drift that goes on is a loss, a level that stayed a step, a photopeak that slides on the window, scatter the contact."""
    assert LastService(0.0, "repair", tuple(parts), 0.9).goes_on() == cause


def test_checks_that_lie_far_below_again_and_again_need_no_alarm():
    """Four of the newest checks far below their course, with no alarm: likelier a contact than blunders, and surer with each one more."""
    four, five = (cause_probabilities(Evidence("P", outliers=n, outliers_low=n)) for n in (4, 5))
    assert next(iter(four)) == next(iter(five)) == "intermittent"
    assert four["none"] == pytest.approx(0.5 / 1.5)
    assert five["none"] == pytest.approx(0.125 / 1.125)
    assert cause_probabilities(Evidence("P", outliers=3, outliers_low=3)) == {"none": 1.0}


def test_two_windows_that_moved_against_each_other_are_no_rise():
    """One up and one down, whichever moved more, is a gain or a peak that widened, and no extra pulses: a window check tells which."""
    up = {"open_rules": LEVEL, "change_pct": 31.0, "probability_ramp": 0.99, "gradual": 0.97, "windows_disagree": True,
          "window_after_onset": True}
    risen = cause_probabilities(Evidence("P", **up, window_moved=False, alarm_direction="high"))
    made = cause_probabilities(Evidence("P", **up, window_moved=False, windows_opposed=True))
    assert made["electronics"] < risen["electronics"] / 3
    assert max(made, key=made.get) == "efficiency_loss"
    assert likeliest(**up, window_moved=True, windows_opposed=True)[0] == "window_slip"


def test_a_response_that_came_back_while_its_alarm_stands_was_cut_out():
    """A level alarm that stands at a response back where it was, after two checks far below: a contact and not a loss."""
    back = {"open_rules": LEVEL, "change_pct": 0.3, "probability_ramp": 0.04, "alarm_direction": "low", "window_moved": False,
            "window_after_onset": True, "outliers": 2, "outliers_low": 2}
    assert likeliest(**back)[0] == "intermittent"


def test_the_shape_is_judged_without_its_prior():
    """What the fleet expects of ramps and steps is weighed once, in the priors of the causes: even evidence leaves those."""
    base = {"open_rules": LEVEL, "change_pct": -8, "probability_ramp": 0.75, "probability_step": 0.25, "alarm_direction": "low"}
    unseen, even, step = (cause_probabilities(Evidence("P", **base, gradual=g)) for g in (None, 0.5, 0.05))
    odds = [made["efficiency_loss"] / made["sudden_loss"] for made in (unseen, even)]
    assert odds[0] == pytest.approx(odds[1], rel=0.02)
    assert max(step, key=step.get) == "sudden_loss"


SEEN = {
    "efficiency_loss": {
        "open_rules": LEVEL, "change_pct": -14, "probability_ramp": 0.95, "gradual": 0.9, "window_moved": False,
        "window_after_onset": True, "windows_disagree": False},
    "sudden_loss": {
        "open_rules": LEVEL, "change_pct": -14, "probability_step": 0.95, "gradual": 0.03, "window_moved": False,
        "window_after_onset": True},
    "window_slip": {
        "open_rules": {*LEVEL, "window_shift"}, "change_pct": -9, "probability_ramp": 0.9, "window_moved": True,
        "window_after_onset": True},
    "contamination": {"open_rules": {"background"}, "background_high": True},
    "intermittent": {"open_rules": {"scatter"}, "scatter_high": True, "outliers_low": 4, "outliers": 4},
    "shield": {"open_rules": {"side"}, "side_high": True},
    "electronics": {"open_rules": {"scatter"}, "repeats_off": True, "scatter_low": True},
    "battery_or_temperature": {
        "open_rules": {"scatter"}, "scatter_high": True, "companion": "battery", "change_pct": -4},
}


@pytest.mark.parametrize("cause", SEEN)
def test_a_plain_pattern_names_its_cause(cause):
    """Each fault's own pattern (trade, how probes go wrong) gives that fault, with better than even odds."""
    best, probability = likeliest(**SEEN[cause])
    assert best == cause
    assert probability > 0.5


def test_a_dead_cable_is_intermittent_contact():
    """No signal alone is a cable."""
    assert likeliest(open_rules={"no_signal"}, no_signal=True)[0] == "intermittent"


def test_evidence_against_a_cause_lowers_it():
    """A loss with the window where it was is less a window slip, and one that has not been looked at is in between."""
    base = {"open_rules": LEVEL, "change_pct": -9, "probability_ramp": 0.9}
    said = [
        cause_probabilities(Evidence("P", **base, window_moved=moved, window_after_onset=True))["window_slip"]
        for moved in (False, None, True)]
    assert said == sorted(said)
    assert said[0] < 0.1 < said[2]


def test_a_window_check_from_before_the_change_says_nothing():
    """A window that was fine before the loss began is no evidence on it."""
    assert "window_moved" not in findings(Evidence("P", open_rules=LEVEL, window_moved=False, window_after_onset=False))
    assert "window_moved" in findings(Evidence("P", open_rules=LEVEL, window_moved=False, window_after_onset=True))


def test_what_was_not_measured_is_left_out():
    """No side reading, no width, no second window: nothing is made of them."""
    assert not {"side_high", "width_grew", "windows_differ", "window_moved"} & set(findings(Evidence("P")))


def test_contradictions_raise_unknown():
    """A pattern that no fault leaves is given to ``unknown`` more than a plain one."""
    plain = cause_probabilities(Evidence("P", **SEEN["efficiency_loss"]))["unknown"]
    odd = cause_probabilities(Evidence(
        "P", open_rules={"side", "background", *LEVEL}, side_high=True, background_high=True, change_pct=30,
        probability_step=0.9, scatter_low=True))["unknown"]
    assert odd > plain


def test_a_rise_with_the_window_where_it_was_is_electronics():
    """No photopeak that moved and more counts than before: pulses that are none, not a loss."""
    rise = {"open_rules": LEVEL, "change_pct": 6, "probability_step": 0.95, "gradual": 0.05, "window_moved": False, "window_after_onset": True}
    assert likeliest(**rise, alarm_direction="high")[0] == "electronics"


def test_a_background_steadier_than_chance_is_pick_up():
    """A high background that is steadier than Poisson counts can be comes by the clock, not from activity."""
    high = {"open_rules": {"background"}, "background_high": True}
    assert likeliest(**high, background_steady=True)[0] == "electronics"
    assert likeliest(**high, background_steady=False)[0] == "contamination"


def test_what_the_companion_does_not_explain_is_a_loss():
    """A ramp of 15 % beside a coefficient that explains a little of it: a loss; where it explains all: the companion."""
    both = {"open_rules": LEVEL, "change_pct": -15, "probability_ramp": 0.99, "gradual": 0.99, "companion": "temperature",
            "companion_nats": 20.0, "alarm_direction": "low", "window_moved": False, "window_after_onset": True}
    assert likeliest(**both, companion_explains=False)[0] == "efficiency_loss"
    assert likeliest(**both, companion_explains=True)[0] == "battery_or_temperature"


def test_a_recorded_drop_makes_a_step_a_sudden_loss():
    """The same doubtful shape is more a sudden loss where a drop is on record."""
    base = {"open_rules": LEVEL, "change_pct": -8, "probability_ramp": 0.5, "probability_step": 0.5, "gradual": 0.5}
    said = [cause_probabilities(Evidence("P", **base, dropped=day))["sudden_loss"] for day in (None, "2023-05-02")]
    assert said[0] < 0.5
    assert said[1] > 0.8


def test_a_steep_loss_is_not_taken_for_a_bad_contact():
    """An alarm of scatter with nothing far from the course is a steep course."""
    steep = {"open_rules": {*LEVEL, "scatter"}, "scatter_high": True, "change_pct": -30, "probability_ramp": 0.99, "gradual": 0.99}
    assert likeliest(**steep, spread_about_course=1.1)[0] == "efficiency_loss"


def test_every_sign_is_said_with_its_numbers():
    """An early loss with level, interval and probability; a rise; a drop; steady backgrounds; scatter that is none."""
    early = cause_signs(Evidence("P", change_pct=-3.0, change_interval_pct=(-4.0, -2.0), moved=0.9))
    assert any("97.0 %" in text and "96.0 to 98.0" in text and "90 %" in text for text in early)
    rise = cause_signs(Evidence("P", open_rules=LEVEL, change_pct=6.0, alarm_direction="high", window_moved=False, window_after_onset=True))
    assert any("rose by 6" in text and "where it was" in text for text in rise)
    told = cause_signs(Evidence("P", open_rules=LEVEL | {"scatter"}, dropped="2023-05-02", background_steady=True, scatter_low=True,
                                scatter_high=True, spread_about_course=1.0))
    assert len(told) == 4
    assert "2023-05-02" in told[0]
    assert cause_signs(Evidence("P")) == []


def test_the_tables_are_whole():
    """One probability in (0, 1) for each cause and item, and priors that sum to about one."""
    assert sum(prior for _, prior in PATTERNS.values()) == pytest.approx(1.0, abs=0.05)
    assert set(CAUSES) == {cause for cause, _ in PATTERNS.values()}
    for name, row in YES.items():
        assert len(row) == len(PATTERNS), name
        assert all(0 < p < 1 for p in row), name
    assert set(findings(Evidence("P", **{f.name: True for f in fields(Evidence) if f.default is None}))) <= set(YES)
