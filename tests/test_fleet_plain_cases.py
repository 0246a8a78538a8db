"""The plain cases a physicist would bet on: loss, sliding gain, dead cable, contamination, and sixty sound probes."""

from __future__ import annotations

import pytest

from analytics import settings
from analytics.fleet import assess
from analytics.simulate import plain_fleet, to_records
from tests.baseline.logbook import START, Log, advice, response, rules, sound_log, weekly

SHIPPED = settings.load()
LAST = 39 * 7.0  # day of the last of forty weekly checks


@pytest.fixture(scope="module")
def plain():
    """Sixty probes over three years, three of which are plainly not sound."""
    fleet = plain_fleet(1)
    return assess(to_records(fleet), SHIPPED, fleet.ends_at)


def test_a_loss_of_twelve_per_cent_a_year_is_efficiency_loss(plain):
    """P-058 loses 12 % a year: service or retire, cause efficiency_loss, and the slope said is near the true one."""
    answer = advice(plain, "P-058")
    assert answer.advice in {"service", "retire"}
    assert answer.cause == "efficiency_loss"
    series = response(plain, "P-058")
    low, high = series.drift_interval
    assert series.drift_pct_per_year == pytest.approx(-12.0 * series.current_pct / 100.0, abs=1.5)
    assert low < series.drift_per_year < high < 0


def test_a_sliding_gain_is_window_slip(plain):
    """P-059's gain slides 4 % a year: service or retire, cause window_slip, and the window alarms."""
    assert advice(plain, "P-059").advice in {"service", "retire"}
    assert advice(plain, "P-059").cause == "window_slip"
    assert "window_shift" in rules(plain, "P-059", still_open=True)


def test_a_dead_cable_is_not_until_cleared(plain):
    """P-060 counts nothing twice in a row: no_signal alarms, and no patient use until cleared."""
    assert advice(plain, "P-060").patient_use == "not_until_cleared"
    assert "no_signal" in rules(plain, "P-060", still_open=True)


def test_sound_probes_are_let_be(plain):
    """Of the 57 sound probes at least 54 are `use`, and each of those may be used on patients, for cause `none`."""
    faulty = {"P-058", "P-059", "P-060"}
    left = [p for p in plain.probes if p.probe not in faulty and p.advice == "use"]
    assert len(left) >= 54
    assert {(p.patient_use, p.cause) for p in left} == {("allowed", "none")}


def test_no_source_is_blamed_for_what_probes_do(plain):
    """With sound sources none is `verify`, whatever three of sixty probes do."""
    assert {one.advice for one in plain.sources} <= {"use", "replace"}


def test_every_answer_gives_its_reasons(plain):
    """No probe stands without a reason, and every reason is a sentence."""
    for one in plain.probes:
        assert one.reasons or one.missing
        assert all(text.endswith((".", ")")) and text[0].isupper() for text in (*one.reasons, *one.missing))


def days_of(moment):
    """Days since the start of the log."""
    return (moment - START).total_seconds() / 86400


def with_probe(name="X", checks=40, **how):
    """Four sound probes and one to look at."""
    return sound_log(4).probe(name).checks(name, weekly(checks, offset=0.2), **how)


def test_a_lone_outlier_asks_for_a_repeat_and_alarms_nothing():
    """The newest check 40 % low: `repeat_requested`, repeat first, and no alert."""
    answer = with_probe(level=lambda day: 0.6 if day > LAST - 1 else 1.0).assess(LAST + 1)
    assert response(answer, "X").repeat_requested
    assert rules(answer, "X") == set()
    assert (advice(answer, "X").advice, advice(answer, "X").patient_use) == ("watch", "repeat_first")


def test_a_lone_outlier_that_was_not_confirmed_is_forgotten():
    """A blunder ten weeks ago alarms nothing, asks for nothing, and does not move the level."""
    answer = with_probe(level=lambda day: 0.6 if 196 <= day < 203 else 1.0).assess(LAST + 1)
    assert not response(answer, "X").repeat_requested
    assert rules(answer, "X") == set()
    assert advice(answer, "X").advice == "use"
    assert response(answer, "X").current_pct == pytest.approx(100.0, abs=1.5)
    points = answer.points_of(response(answer, "X"))
    assert (points["flag"] == "lone_outlier").sum() == 1


def test_two_in_a_row_are_no_blunders():
    """Two checks 40 % low: alarms, beyond tolerance, not until cleared."""
    answer = with_probe(level=lambda day: 0.6 if day > LAST - 8 else 1.0).assess(LAST + 1)
    assert "tolerance" in rules(answer, "X", still_open=True)
    assert advice(answer, "X").patient_use == "not_until_cleared"
    assert not response(answer, "X").repeat_requested
    assert {a.direction for a in response(answer, "X").alerts} == {"low"}


def test_a_step_is_a_sudden_loss():
    """Fifteen per cent gone at once and for good: cause sudden_loss, dated to within two checks."""
    answer = with_probe(level=lambda day: 0.85 if day > 150 else 1.0).assess(LAST + 1)
    assert advice(answer, "X").cause == "sudden_loss"
    assert advice(answer, "X").advice == "service"
    first = min((a for a in response(answer, "X").alerts if a.onset_estimate is not None), key=lambda a: a.signalled_at)
    assert abs(days_of(first.onset_estimate) - 154.2) <= 14.1
    assert days_of(first.signalled_at) - 154.2 <= 14.1


def silent(log, name, days):
    """Checks on which the source is not seen at all."""
    for day in days:
        log.count(name, day, "background", 30).count(name, day + 2e-3, "source", 29)
    return log


def test_no_signal_once_asks_for_a_repeat():
    """One check without net counts: repeat first, no alert, nothing in the logarithms."""
    answer = silent(with_probe(checks=39), "X", [LAST]).assess(LAST + 1)
    assert response(answer, "X").repeat_requested
    assert "no_signal" not in rules(answer, "X")
    assert advice(answer, "X").patient_use == "repeat_first"
    assert response(answer, "X").current_pct == pytest.approx(100.0, abs=2.0)


def test_no_signal_twice_alarms_at_the_second_and_settles_with_the_next_count():
    """Two checks without net counts: an alarm dated to the second; a check that counts again settles it."""
    log = silent(with_probe(checks=38), "X", [LAST - 7, LAST])
    answer = log.assess(LAST + 1)
    (alert,) = [a for a in response(answer, "X").alerts if a.rule == "no_signal"]
    assert alert.settled_at is None
    assert days_of(alert.signalled_at) == pytest.approx(LAST, abs=0.01)
    assert (advice(answer, "X").advice, advice(answer, "X").patient_use) == ("service", "not_until_cleared")
    later = log.checks("X", [LAST + 7]).assess(LAST + 8)
    (alert,) = [a for a in response(later, "X").alerts if a.rule == "no_signal"]
    assert alert.settled_at is not None


def test_a_probe_without_signal_has_no_present_level():
    """After two checks without net counts no level, drift, chance or date is named, and the answer says why; the reference stands."""
    answer = silent(with_probe(checks=38), "X", [LAST - 7, LAST]).assess(LAST + 1)
    series, said = response(answer, "X"), advice(answer, "X")
    assert (series.current, series.current_pct, series.drift_per_year, series.crossing) == (None, None, None, None)
    assert series.reference is not None
    assert series.notes[0].startswith("The newest checks show no signal")
    assert said.facts["probability_outside_now"] is None
    assert said.facts["change_pct"] is None


def test_a_contaminated_tip_is_named():
    """Background at ten times its usual level, response as ever: contamination, clean before use."""
    log = with_probe(checks=39).checks("X", [LAST], background_cps=30.0)
    answer = log.assess(LAST + 1)
    assert rules(answer, "X", still_open=True) == {"background"}
    assert advice(answer, "X").cause == "contamination"
    assert advice(answer, "X").patient_use == "repeat_first"
    assert response(answer, "X").current_pct == pytest.approx(100.0, abs=1.5)
    gone = log.checks("X", [LAST + 7]).assess(LAST + 8)
    assert rules(gone, "X", still_open=True) == set()


def test_a_probe_whose_repair_did_not_hold_is_retired():
    """The same loss again after a repair: the service did not hold, so retire."""
    log = sound_log(4, checks=100)

    def level(day):
        return 0.85 if 200 < day < 300 else (0.85 if day > 500 else 1.0)

    log.probe("X").checks("X", weekly(100, offset=0.2), level=level).event("X", 300.0, "repair", new_reference=True)
    answer = log.assess(694.0)
    assert advice(answer, "X").advice == "retire"
    assert any("did not hold" in text for text in advice(answer, "X").reasons)


def test_a_repair_that_held_lets_the_probe_be():
    """A loss, a repair, and steady since at a new level: `use`, the old alerts settled by the new reference."""
    log = sound_log(4, checks=100)
    log.probe("X").checks("X", weekly(100, offset=0.2), level=lambda day: 0.85 if 200 < day < 300 else 1.05)
    answer = log.event("X", 300.0, "repair", new_reference=True).assess(694.0)
    assert advice(answer, "X").advice == "use"
    assert rules(answer, "X") != set()
    assert rules(answer, "X", still_open=True) == set()
    assert response(answer, "X").reference.from_at.year == 2022
    assert response(answer, "X").current_pct == pytest.approx(100.0, abs=1.5)


def test_one_log_two_windows_stay_two_series():
    """The same probe read in two windows has two response series, each with its own reference."""
    log = Log(2).source().probe("P")
    log.checks("P", weekly(20)).checks("P", weekly(20, offset=0.3), rate_cps=300.0, window="Tc-99m", background=False)
    answer = log.assess(20 * 7.0)
    found = {s.window: s.reference.value for s in answer.series_of("P", "response")}
    assert found["Tc-99m"] == pytest.approx(found["Co-57"] / 5.0, rel=0.05)
