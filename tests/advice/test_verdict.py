"""From evidence to advice: the table row by row, and what it says."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from analytics.advice.evidence import Evidence
from analytics.advice.last_service import LastService
from analytics.advice.verdict import Situation, judge
from analytics.results import Crossing

NOW = 20_000.0
SOUND = Evidence("P")
OUTSIDE = Evidence(
    "P", open_rules={"change_point", "tolerance"}, change_pct=-14.0, change_interval_pct=(-15.0, -13.0),
    slope_pct_per_year=-9.0, slope_interval_pct=(-11.0, -7.0), probability_ramp=0.95, onset="2024-01-01",
    window_moved=False, window_after_onset=True)
SOON = Crossing(90.0, date(2024, 9, 1), date(2024, 12, 1), date(2025, 3, 1), {90: 0.1, 182: 0.4, 365: 0.8})
LATE = Crossing(90.0, date(2026, 1, 1), date(2027, 1, 1), None, {90: 0.0, 182: 0.0, 365: 0.05})


def situation(evidence=SOUND, **more):
    """A probe with thirty checks since its reference began."""
    return Situation(evidence, **({"checks_in_force": 30, "now_days": NOW} | more))


def said(evidence=SOUND, **more):
    """Advice and patient use."""
    verdict = judge(situation(evidence, **more))
    return verdict.advice, verdict.patient_use


def with_rules(*names, **more):
    """Evidence with some alarms open."""
    return replace(SOUND, open_rules=set(names), **more)


def test_a_sound_probe_is_used():
    """Nothing open, nothing missing: use, allowed, cause none without a probability, and it says so."""
    verdict = judge(situation())
    assert (verdict.advice, verdict.patient_use) == ("use", "allowed")
    assert (verdict.cause, verdict.cause_probability) == ("none", None)
    assert verdict.reasons == ("All charts are within their limits.",)
    assert verdict.missing == ()


@pytest.mark.parametrize("rule", [
    "tolerance", "action_level", "no_signal", "window_shift", "side", "scatter", "background", "below_side_readings"])
def test_these_alarms_ask_for_a_service(rule):
    """Beyond action level or tolerance, no signal, window, side, scatter or background: service."""
    assert said(with_rules(rule))[0] == "service"


@pytest.mark.parametrize("rule", ["change_point", "cusum"])
def test_a_change_within_the_limits_is_watched_until_it_leaves_soon(rule):
    """A change that is sure but small: watch; if it likely leaves tolerance within a year: service."""
    assert said(with_rules(rule)) == ("watch", "allowed")
    assert said(with_rules(rule), crossing=LATE)[0] == "watch"
    assert said(with_rules(rule), crossing=SOON)[0] == "service"


def test_a_repeat_that_is_asked_for_is_watched_and_done_first():
    """A lone outlier: watch, repeat first."""
    assert said(repeat_requested=True) == ("watch", "repeat_first")


MISSING = [
    ({"overdue": ["The check is overdue."]}, "repeat_first"),
    ({"unread_since": "repair on 2024-01-01"}, "repeat_first"),
    ({"ever_read": False, "checks_in_force": 0}, "repeat_first"), ({"checks_in_force": 4}, "allowed"),
]


@pytest.mark.parametrize(("what", "use"), MISSING)
def test_what_is_missing_makes_it_undetermined(what, use):
    """Overdue, unread since a service, never read, too few checks: undetermined, what is missing is said."""
    verdict = judge(situation(**what))
    assert (verdict.advice, verdict.patient_use) == ("undetermined", use)
    assert len(verdict.missing) == 1


def test_missing_goes_before_alarms_and_the_bar_stays():
    """An overdue check of a probe beyond tolerance: undetermined, and still not until cleared."""
    assert said(OUTSIDE, overdue=["The check is overdue."], uncleared="2024-01-01") == (
        "undetermined", "not_until_cleared")


@pytest.mark.parametrize(("what", "use"), [
    ({"uncleared": "2024-01-01"}, "not_until_cleared"), ({"out_of_use": True}, "not_until_cleared"), ({}, "allowed")])
def test_not_until_cleared(what, use):
    """An alarm that forbids use and that nobody answered, or a person's word, bars patient use."""
    assert said(with_rules("change_point"), **what)[1] == use


def test_a_contaminated_tip_is_cleaned_first():
    """With the background high: repeat first."""
    assert said(with_rules("background", background_high=True))[1] == "repeat_first"


def test_retire_when_a_service_did_not_hold():
    """The same alarm before and after a recent service: retire, and the reason says why; long ago: service."""
    recent = judge(situation(OUTSIDE, services=[(NOW - 200, "repair")], earlier_alarm_before_service=True))
    assert recent.advice == "retire"
    assert any("did not hold" in text for text in recent.reasons)
    open_again = LastService(NOW - 200, "repair", (), 0.35)
    doubtful = judge(situation(OUTSIDE, services=[(NOW - 200, "repair")], earlier_alarm_before_service=True, last=open_again))
    assert any(text.startswith("The same kind of alarm was open before the last service") for text in doubtful.reasons)
    assert not any("did not hold" in text.partition("(probability")[0] for text in doubtful.reasons)
    long_ago = judge(situation(OUTSIDE, services=[(NOW - 2000, "repair")], earlier_alarm_before_service=True))
    assert long_ago.advice == "service"


def test_retire_after_repeated_services():
    """Two services within two years and an alarm again: retire; without an alarm they are no reason."""
    services = [(NOW - 500, "repair"), (NOW - 100, "cable_replaced")]
    assert said(OUTSIDE, services=services)[0] == "retire"
    assert said(services=services)[0] == "use"


def test_reasons_carry_their_numbers():
    """Level with its interval and onset, slope with its interval, limit, crossing, cause with its probability."""
    verdict = judge(situation(OUTSIDE, uncleared="2024-02-01"))
    text = " ".join(verdict.reasons)
    for part in ("86.0 % of its reference (90 % interval 85.0 to 87.0 %) since about 2024-01-01",
                 "−9.0 % of its reference a year (−11 % to", "tolerance limit of 10 %", "not for patient use until cleared", "photopeak where it was",
                 "efficiency loss (probability"):
        assert part in text
    assert verdict.cause == "efficiency_loss"
    assert 0.5 < verdict.cause_probability <= 1.0
    assert sum(verdict.probabilities.values()) == pytest.approx(1.0)


def test_a_step_is_said_to_be_one():
    """Where a step is the better account its size is said, and no slope."""
    stepped = replace(OUTSIDE, probability_ramp=0.02, probability_step=0.97, step_pct=-14.2)
    text = " ".join(judge(situation(stepped)).reasons)
    assert "stepped by −14 % rather than drifted" in text
    assert "a year" not in text


def test_a_crossing_is_said_with_its_range():
    """The expected day with its 90 % range; without a late end: not before."""
    evidence = with_rules("change_point", change_interval_pct=(-5.0, -3.0), change_pct=-4.0)
    assert "about 2024-12-01 (90 %: between 2024-09-01 and 2025-03-01)" in " ".join(
        judge(situation(evidence, crossing=SOON)).reasons)
    assert "not before 2026-01-01" in " ".join(judge(situation(evidence, crossing=LATE)).reasons)


def test_a_doubtful_cause_is_called_unknown():
    """Where the likeliest cause has less than four in ten, the cause is unknown."""
    verdict = judge(situation(with_rules("change_point", change_pct=6.0, change_interval_pct=(5.0, 7.0))))
    best = max((p, c) for c, p in verdict.probabilities.items() if c != "unknown")
    assert (verdict.cause == "unknown") == (best[0] < 0.4 or verdict.probabilities["unknown"] > best[0])


@pytest.mark.parametrize(("probability", "use"), [(0.4, "allowed"), (0.6, "repeat_first"), (float("nan"), "allowed")])
def test_a_level_likelier_beyond_tolerance_than_not_is_repeated_before_use(probability, use):
    """An alarm stands and no alarm of the tolerance yet: what is likely outside is not used unread, and it says how likely it is."""
    verdict = judge(situation(with_rules("change_point", probability_outside=probability)))
    assert verdict.patient_use == use
    assert ("likely beyond the tolerance limit of 10 % now (probability 60 %)" in " ".join(verdict.reasons)) == (use == "repeat_first")
    assert said(replace(SOUND, probability_outside=0.6)) == ("use", "allowed")


def test_a_cause_named_without_an_alarm_says_what_it_is_seen_by():
    """Four checks far below their course and no alarm: the reasons count them."""
    text = " ".join(judge(situation(Evidence("P", outliers=4, outliers_low=4))).reasons)
    assert "4 of its newest 30 checks lay far below their likely course, and no alarm of scatter stands" in text


def test_repeats_that_scatter_otherwise_than_counts_are_said():
    """An alarm of the chi-square of repeats stands alone: the reasons name it, and not the likely cause only."""
    verdict = judge(situation(with_rules("scatter", repeats_off=True, repeats_made=True)))
    assert verdict.cause == "electronics"
    assert any("(chi-square)" in text for text in verdict.reasons)


def test_a_drift_beside_what_the_response_goes_with_is_said_to_hold_it():
    """Where time since switch-on is the likely cause, "not called drift" does not stand beside a plain "it drifts"."""
    evidence = with_rules(
        "change_point", probability_ramp=0.99, slope_pct_per_year=-10.0, slope_interval_pct=(-12.0, -8.0), change_pct=-9.0,
        change_interval_pct=(-10.0, -8.0), companion="time since switch-on", companion_text="It goes with it; this is not called drift.",
    )
    verdict = judge(situation(evidence))
    assert verdict.cause == "battery_or_temperature"
    text = " ".join(verdict.reasons)
    assert "As it was read it drifts by −10 % of its reference a year" in text
    assert "what it owes to the time since switch-on is in that" in text


@pytest.mark.parametrize(("dropped", "course"), [("2023-12-31", "It stepped by −14 %."), (None, "cannot be told yet")])
def test_course_and_cause_do_not_contradict(dropped, course):
    """The likely cause is a sudden loss, the line fits a little better: after a drop on record it stepped, else it is left open."""
    evidence = replace(OUTSIDE, probability_ramp=0.6, probability_step=0.4, step_pct=-14.0, gradual=0.05, dropped=dropped)
    verdict = judge(situation(evidence))
    assert verdict.cause == "sudden_loss"
    assert course in " ".join(verdict.reasons)
    assert "drifts by" not in " ".join(verdict.reasons)


def test_an_alarm_whose_level_came_back_is_said_to_stand_all_the_same():
    """The interval of the level holds 100 %: it is not said to stand there since the change."""
    evidence = with_rules("cusum", change_interval_pct=(-2.6, 0.6), change_pct=-1.0, onset="2024-01-19", probability_step=0.6)
    text = " ".join(judge(situation(evidence)).reasons)
    assert "99.0 % of its reference (90 % interval 97.4 to 100.6 %); the alarm that it changed about 2024-01-19 stands all the same" in text
    assert "stepped" not in text


def test_without_an_alarm_a_crossing_carries_its_chance():
    """No alarm stands: the day is said with the chance that it passes at all."""
    (text,) = [one for one in judge(situation(crossing=SOON)).reasons if "2024-12-01" in one]
    assert text.endswith("if it changes as its checks suggest; the chance that it does within 365 days is 80 %.")


@pytest.mark.parametrize(("alone", "low", "said"), [(0, 0, "placing."), (2, 0, "30, 2 lay alone and far off."), (0, 3, "30, 3 lay far below")])
def test_of_scatter_only_what_was_counted_is_said(alone, low, said):
    """No "0 lay alone": what there is none of is left out."""
    text = " ".join(judge(situation(with_rules("scatter", scatter_high=True, outliers=alone, outliers_low=low))).reasons)
    assert said in text
    assert " 0 " not in text


@pytest.mark.parametrize(("change", "rose"), [(5.9, True), (-5.9, False)])
def test_a_response_that_lies_low_is_not_said_to_have_risen(change, rose):
    """An alarm of a rise still stands, and the level has fallen since: the rise is not said of it."""
    evidence = with_rules("change_point", change_pct=change, change_interval_pct=(change - 1, change + 1), alarm_direction="high")
    assert any(text.startswith("The response rose by 5.9 %") for text in judge(situation(evidence)).reasons) == rose
