"""Probabilities of causes: they sum to one, follow the pattern, and give way to ``unknown``."""

from __future__ import annotations

from dataclasses import fields
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.advice.causes import CAUSES, PRIOR, YES, cause_probabilities, findings
from analytics.advice.evidence import Evidence
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
    side_high=MAYBE, companion=st.sampled_from([None, "battery"]), source_suspect=st.sampled_from([None, "CK-1"]))


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
def test_without_an_alarm_or_a_companion_there_is_no_cause(e):
    """No open alarm and nothing that goes with it: ``none``, for sure, and only then."""
    quiet = not e.open_rules and e.companion is None
    assert (cause_probabilities(e) == {"none": 1.0}) == quiet


PATTERNS = {
    "efficiency_loss": {
        "open_rules": LEVEL, "change_pct": -14, "probability_ramp": 0.95, "window_moved": False,
        "window_after_onset": True, "windows_disagree": False},
    "sudden_loss": {
        "open_rules": LEVEL, "change_pct": -14, "probability_step": 0.95, "window_moved": False,
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


@pytest.mark.parametrize("cause", PATTERNS)
def test_a_plain_pattern_names_its_cause(cause):
    """Each fault's own pattern (trade, how probes go wrong) gives that fault, with better than even odds."""
    best, probability = likeliest(**PATTERNS[cause])
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
    plain = cause_probabilities(Evidence("P", **PATTERNS["efficiency_loss"]))["unknown"]
    odd = cause_probabilities(Evidence(
        "P", open_rules={"side", "background", *LEVEL}, side_high=True, background_high=True, change_pct=30,
        probability_step=0.9, scatter_low=True))["unknown"]
    assert odd > plain


def test_the_tables_are_whole():
    """One probability in (0, 1) for each cause and item, and priors that sum to about one."""
    assert set(PRIOR) == set(CAUSES)
    assert sum(PRIOR.values()) == pytest.approx(1.0, abs=0.05)
    for name, row in YES.items():
        assert len(row) == len(CAUSES), name
        assert all(0 < p < 1 for p in row), name
    assert set(findings(Evidence("P", **{f.name: True for f in fields(Evidence) if f.default is None}))) <= set(YES)
