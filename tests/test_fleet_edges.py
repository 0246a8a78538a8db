"""What the data cannot carry is said to be missing: nothing recorded, too little, too late, back and not yet read."""

from __future__ import annotations

import jsonschema
import pytest

from analytics import settings
from analytics.answer import as_json
from tests.baseline.logbook import START, Log, advice, response, rules, sound_log, weekly
from tests.test_fleet_document import SCHEMA

LAST = 39 * 7.0
WEEKLY = settings.load({"schedule": {"check_days": 7.0}})


def one_probe(days, **how):
    """A log of one probe alone on its source."""
    return Log(3).source().probe("P").checks("P", days, **how)


def silent_log():
    """Five checks that count nothing at all."""
    log = Log(3).source().probe("P")
    for day in weekly(5):
        log.count("P", day, "background", 0).count("P", day + 2e-3, "source", 0)
    return log


def backgrounds_only():
    """Twenty backgrounds and never a source."""
    log = Log(3).source().probe("P")
    for day in weekly(20):
        log.count("P", day, "background", 30)
    return log


def constant(nuclide):
    """Thirty checks that read the same to the count."""
    log = Log(3).source(nuclide=nuclide).probe("P")
    for day in weekly(30):
        log.count("P", day, "background", 30).count("P", day + 2e-3, "source", 15000)
    return log


EDGES = {
    "nothing": (Log, 10.0),
    "registers only": (lambda: Log().source().probe("P"), 10.0),
    "one check": (lambda: one_probe([0.0]), 1.0),
    "one source counting": (lambda: one_probe([0.0], background=False), 1.0),
    "two checks": (lambda: one_probe([0.0, 7.0]), 8.0),
    "three checks": (lambda: one_probe(weekly(3)), 15.0),
    "five checks": (lambda: one_probe(weekly(5)), 29.0),
    "before the first reading": (lambda: one_probe(weekly(5)), -3.0),
    "two checks on one day": (lambda: one_probe([0.0, 0.3]), 1.0),
    "backgrounds only": (backgrounds_only, 134.0),
    "nothing counted": (silent_log, 29.0),
    "constant": (lambda: constant("I-129"), 204.0),
    "constant on a decaying source": (lambda: constant("Co-57"), 204.0),
    "a gap of three years": (lambda: one_probe(weekly(30) + weekly(30, first=1300.0), rate_cps=6000.0), 1504.0),
    "unknown nuclide": (lambda: Log(3).source(nuclide="Zz-999").probe("P").checks("P", weekly(10)), 64.0),
    "source before its reference": (lambda: one_probe(weekly(10, first=-200.0)), -130.0),
    "no jig, no site": (lambda: Log(3).source().probe("P", site=None).checks("P", weekly(10), jig=None), 64.0),
    "three counts": (lambda: one_probe(weekly(30), rate_cps=0.4), 204.0),
}


@pytest.mark.parametrize("name", EDGES)
def test_edges_give_an_answer_and_no_warning(name):
    """Whatever little there is, the answer is a whole document of the contract, and no number is made of nothing."""
    make, day = EDGES[name]
    log = make()
    answer = log.assess(day)
    document = as_json(answer)
    assert [e.message for e in jsonschema.Draft202012Validator(SCHEMA).iter_errors(document)] == []
    assert [p.probe for p in answer.probes] == [p["probe"] for p in log.probes]
    assert len(answer.points) >= len(answer.countings["check"].unique())


def test_nothing_recorded_is_an_empty_answer():
    """An empty store has no series, no probe and no source, and that is no error."""
    answer = Log().answer(1.0)
    assert [answer[name] for name in ("series", "probes", "sources", "jigs", "readouts")] == [[]] * 5


@pytest.mark.parametrize("log", [lambda: Log().source().probe("P"), backgrounds_only])
def test_a_probe_never_read_on_a_source_is_undetermined(log):
    """Registered, or with backgrounds only: undetermined, repeat first, and a check on a source is missing."""
    answer = advice(log().assess(134.0), "P")
    assert (answer.advice, answer.patient_use) == ("undetermined", "repeat_first")
    assert answer.missing == ("No check on a source has been recorded for this probe.",)


@pytest.mark.parametrize("checks", [1, 2, 3, 4, 5, 6])
def test_too_few_checks_are_undetermined(checks):
    """Below ``reference.least_readings`` (5) nothing is said but how many are lacking; from five on there is advice."""
    answer = advice(one_probe(weekly(checks)).assess(7.0 * checks - 6.0), "P")
    if checks >= 5:
        assert answer.advice == "use"
        assert answer.missing == ()
    else:
        assert answer.advice == "undetermined"
        assert str(5 - checks) in answer.missing[0]


def test_one_check_has_a_value_and_no_trend():
    """One check: the reading is shown, with neither reference spread nor drift nor crossing made up."""
    series = response(one_probe([0.0]).assess(1.0), "P")
    assert series.readings == 1
    assert series.crossing is None
    assert series.alerts == ()
    assert series.drift_per_year is None or series.drift_interval[0] < 0 < series.drift_interval[1]


def test_constant_counts_of_a_long_lived_source_do_not_alarm_a_level():
    """Counts alike to the last one divide by no zero: the level is at its reference, and no level alarm is given."""
    answer = constant("I-129").assess(204.0)
    assert response(answer, "P").current_pct == pytest.approx(100.0, abs=0.05)
    assert rules(answer, "P") <= {"scatter"}


def test_constant_counts_on_a_decaying_source_alarm():
    """A display that stands still while the source decays rises against it, and is found."""
    answer = constant("Co-57").assess(204.0)
    assert response(answer, "P").current_pct > 120.0
    assert {a.direction for a in response(answer, "P").alerts} == {"high"}


def test_a_gap_of_three_years_is_no_drift():
    """Three years without a check and then the same level: no alert, and `use` once it is read again."""
    answer = one_probe(weekly(30) + weekly(30, first=1300.0), rate_cps=6000.0).assess(1504.0)
    assert rules(answer, "P") == set()
    assert advice(answer, "P").advice == "use"


def test_a_loss_over_a_gap_is_found_after_it():
    """A tenth lost while nobody looked: alarmed within three checks after the gap."""
    days = weekly(30) + weekly(30, first=1300.0)
    log = one_probe(days, rate_cps=9000.0, level=lambda day: 0.88 if day > 400 else 1.0)
    alerts = response(log.assess(1504.0), "P").alerts
    first = min(a.signalled_at for a in alerts)
    assert 1300.0 <= (first - START).total_seconds() / 86400 < 1315.0


def test_gross_responses_say_so():
    """No background ever recorded: the response is gross, and the series says it."""
    series = response(one_probe(weekly(10), background=False).assess(64.0), "P")
    assert any("gross" in text.lower() for text in series.notes)


def test_a_check_before_the_reference_date_is_decayed_backwards_and_flagged():
    """Counted before the source's reference date: allowed, flagged on the source."""
    answer = one_probe(weekly(10, first=-200.0)).assess(-130.0)
    assert any("before its reference date" in text for text in answer.sources[0].reasons)
    assert response(answer, "P").reference.value == pytest.approx(1500.0 / 300.0, rel=0.03)


def test_a_nuclide_without_half_life_gives_no_response():
    """Without a half-life there is no decay correction: no current value, and the probe is not called fit."""
    answer = EDGES["unknown nuclide"][0]().assess(64.0)
    assert all(s.current is None for s in answer.series_of("P", "response"))
    assert advice(answer, "P").advice == "undetermined"


OVERDUE = [
    # the last check is on day 273; own median interval 7 d, three times that is 21 d; set to 7 d, 1.5 times is 10.5 d
    (LAST + 20.0, None, False), (LAST + 23.0, None, True), (LAST + 10.0, WEEKLY, False), (LAST + 12.5, WEEKLY, True),
]


@pytest.mark.parametrize(("day", "layer", "overdue"), OVERDUE)
def test_overdue_by_its_own_median_or_by_the_interval_set(day, layer, overdue):
    """Overdue is more than three times the own median interval, or 1.5 times the interval set: then undetermined."""
    answer = sound_log(4).assess(day, layer or settings.load())
    said = {(p.advice, p.patient_use, bool(p.missing)) for p in answer.probes}
    assert said == ({("undetermined", "repeat_first", True)} if overdue else {("use", "allowed", False)})
    if overdue:
        assert all("overdue" in text for p in answer.probes for text in p.missing)


def test_what_was_never_recorded_is_not_overdue():
    """A window check that was never made is not kept here, whatever the schedule wants, and has no due date."""
    layer = settings.load({"schedule": {"window_check_days": 30.0, "background_days": 7.0}})
    answer = sound_log(4, background=False).assess(LAST + 1, layer)
    assert {p.advice for p in answer.probes} == {"use"}
    assert {p.next_window_check_due_on for p in answer.probes} == {None}


def test_a_kind_of_check_that_lapsed_makes_the_probe_undetermined():
    """Window checks once a month, then none for a year: the missing one is named."""
    log = sound_log(4, checks=60)
    for day in (0.0, 30.0, 60.0, 90.0):
        for measurement in ("window_below", "window_above"):
            log.count("S-1", day + 5e-3, measurement, 4000.0)
    answer = advice(log.assess(59 * 7.0 + 1), "S-1")
    assert answer.advice == "undetermined"
    assert any("window check" in text for text in answer.missing)


def test_returned_from_service_unread_is_undetermined():
    """A repair and no check since: undetermined, repeat first; what is missing names the service and its day."""
    answer = advice(sound_log(4).event("S-1", LAST + 3, "repair", new_reference=True).assess(LAST + 4), "S-1")
    assert (answer.advice, answer.patient_use) == ("undetermined", "repeat_first")
    assert any("repair on 2022-10-06" in text for text in answer.missing)


def test_after_a_repair_new_checks_make_a_new_reference():
    """Four checks after a repair are too few, five are enough, at whatever level the probe came back."""
    log = sound_log(4, checks=46)
    log.probe("X").checks("X", weekly(40, offset=0.2)).event("X", LAST + 3, "repair", new_reference=True)
    log.checks("X", weekly(4, LAST + 7.2), level=lambda _day: 1.3)
    assert advice(log.assess(LAST + 29), "X").advice == "undetermined"
    answer = log.checks("X", [LAST + 35.2], level=lambda _day: 1.3).assess(LAST + 36)
    assert advice(answer, "X").advice == "use"
    assert response(answer, "X").reference.readings == 5


def test_an_event_without_a_new_reference_keeps_the_old_one():
    """A drop is no excuse: what the probe lost with it is a loss against the old reference."""
    log = sound_log(4)
    log.probe("X").checks("X", weekly(40, offset=0.2), level=lambda day: 0.85 if day > 200 else 1.0)
    answer = log.event("X", 200.0, "dropped").assess(LAST + 1)
    assert response(answer, "X").current_pct == pytest.approx(85.0, abs=1.5)
    assert advice(answer, "X").patient_use == "not_until_cleared"


def test_taken_out_of_use_and_cleared():
    """Withdrawn, or set out of use by a person: not until cleared; cleared: allowed again."""
    for how in ("withdrawn", "out_of_use"):
        log = sound_log(2)
        log = log.event("S-1", LAST + 1, how) if how == "withdrawn" else log.decide("S-1", LAST + 1, how)
        assert advice(log.assess(LAST + 2), "S-1").patient_use == "not_until_cleared"
        assert advice(log.assess(LAST + 2), "S-2").patient_use == "allowed"
        log.decide("S-1", LAST + 3, "cleared")
        assert advice(log.assess(LAST + 2), "S-1").patient_use == "not_until_cleared"
        assert advice(log.assess(LAST + 4), "S-1").patient_use == "allowed"


def test_beyond_tolerance_stays_barred_until_a_person_clears_it_on_a_good_check():
    """Fifteen per cent low: not until cleared; a clearing on a bad check clears nothing, one on a good check does."""
    log = sound_log(4)
    log.probe("X").checks("X", weekly(40, offset=0.2), level=lambda day: 0.85 if day > 200 else 1.0)
    assert advice(log.assess(LAST + 1), "X").patient_use == "not_until_cleared"
    on_bad = advice(log.decide("X", LAST + 2, "cleared").assess(LAST + 3), "X")
    assert (on_bad.patient_use, on_bad.advice) == ("not_until_cleared", "service")
    assert any("Cleared on" in text and "verifies it" in text for text in on_bad.reasons)
    log.checks("X", [LAST + 7.2, LAST + 8.2])
    assert advice(log.assess(LAST + 8.5), "X").patient_use == "not_until_cleared"
    on_good = advice(log.decide("X", LAST + 9, "cleared").assess(LAST + 10), "X")
    assert (on_good.patient_use, on_good.advice) == ("allowed", "service")


def test_a_reading_hidden_by_a_person_is_not_charted():
    """Two low checks alarm; excluded by a person they do not."""
    log = sound_log(4)
    log.probe("X").checks("X", weekly(40, offset=0.2), level=lambda day: 0.6 if day > LAST - 8 else 1.0)
    assert rules(log.assess(LAST + 1), "X") != set()
    for row in log.readings:
        if row["probe"] == "X" and (row["taken_at"] - START).days > LAST - 8:
            row["excluded"] = True
    answer = log.assess(LAST + 1)
    assert rules(answer, "X") == set()
    assert not response(answer, "X").repeat_requested


def test_gross_responses_say_so_in_the_document():
    """No background ever: the response is gross, and the answer as printed says so (contract)."""
    document = one_probe(weekly(10), background=False).answer(64.0)
    assert any("gross" in text.lower() for p in document["probes"] for text in p["reasons"])


def test_of_a_probe_never_read_no_chart_is_said_to_be_fine():
    """With no check at all there is no chart to be within its limits, and none is claimed to be."""
    answer = advice(Log().source().probe("P").assess(10.0), "P")
    assert not any("within their limits" in text for text in answer.reasons)
