"""Out of patient use and back: every path from the alarm to the clearing, read by read."""

from __future__ import annotations

import pytest

from tests.baseline.logbook import START, advice, sound_log, weekly

FAULT, LAST = 200.0, 273.0  # the last check of forty weekly ones is on day 273
TIMES = weekly(40, offset=0.2)


def low(until=1e9, to=0.8):
    """Twenty per cent gone from the day of the fault to a day."""
    return lambda day: to if until > day > FAULT else 1.0


def log_of(level, checks=TIMES):
    """Three sound probes and one with a story."""
    return sound_log(3).probe("X").checks("X", checks, level=level)


def use(log, day):
    """Patient use of the probe on a day."""
    return advice(log.assess(day), "X").patient_use


def reasons(log, day):
    """All reasons in one text."""
    return " ".join(advice(log.assess(day), "X").reasons)


def test_beyond_tolerance_repaired_and_read_again():
    """Barred from the alarm on; after the repair undetermined and barred until it is read, then allowed once the check is good."""
    log = log_of(low(until=230.0)).event("X", 230.0, "repair", new_reference=True)
    assert use(log, 222.0) == "not_until_cleared"
    assert use(log, 230.9) == "not_until_cleared"
    assert advice(log.assess(230.9), "X").advice == "undetermined"
    assert use(log, LAST + 1) == "allowed"


def test_a_repair_that_restored_nothing_does_not_free_it():
    """Still twenty per cent off what it was after the repair: its own new reference proves nothing, and that is said."""
    log = log_of(low()).event("X", 230.0, "repair", new_reference=True)
    assert use(log, LAST + 1) == "not_until_cleared"
    assert "beyond tolerance of what it was before" in reasons(log, LAST + 1)
    cleared = log.decide("X", LAST + 1.5, "cleared")
    assert use(cleared, LAST + 2) == "allowed"


def test_a_new_detector_may_count_otherwise():
    """With the detector replaced another level is no fault."""
    log = log_of(low()).event("X", 230.0, "detector_replaced", new_reference=True)
    assert use(log, LAST + 1) == "allowed"


def test_it_came_back_by_itself_and_stays_barred():
    """Good again without a service: barred until a person clears it, then allowed."""
    log = log_of(low(until=225.0))
    assert use(log, LAST + 1) == "not_until_cleared"
    assert "nobody has cleared it" in reasons(log, LAST + 1)
    assert advice(log.assess(LAST + 1), "X").clearing_verified
    assert use(log.decide("X", LAST + 1.5, "cleared"), LAST + 2) == "allowed"


def test_cleared_before_the_good_check():
    """Cleared while the newest check was bad, good checks after: still barred, and the reason names the clearing."""
    log = log_of(low(until=225.0)).decide("X", 224.0, "cleared")
    assert use(log, LAST + 1) == "not_until_cleared"
    assert "Cleared on 2022-08-15 by a physicist, but no check" in reasons(log, LAST + 1)


def test_cleared_before_the_alarm():
    """A clearing from before the alarm has nothing to do with it."""
    log = log_of(low(until=225.0)).decide("X", 150.0, "cleared")
    assert use(log, LAST + 1) == "not_until_cleared"


def test_a_clearing_does_not_outlive_the_next_bad_check():
    """Cleared on two good checks in between; bad again while the alarm stands: barred anew."""
    log = log_of(lambda day: 1.0 if day < FAULT or 230 < day < 243 else 0.8).decide("X", 242.5, "cleared")
    assert use(log, 243.0) == "allowed"
    assert use(log, LAST + 1) == "not_until_cleared"
    assert "waits to be cleared anew" in reasons(log, LAST + 1)


def test_a_clearing_dated_by_its_day_counts_for_the_whole_day():
    """A clearing dated without a time goes with the good checks of that morning."""
    log = log_of(low(until=240.0), [day for day in TIMES if day < 245.0])
    log.checks("X", [247.0, 247.15]).decide("X", 247.0 - START.hour / 24.0, "cleared")
    assert log.decisions[-1]["decided_at"].hour == 0
    assert use(log, 247.3) == "allowed"


def silent(log, days):
    """Checks on which nothing of the source is seen."""
    for day in days:
        log.count("X", day, "background", 30).count("X", day + 2e-3, "source", 29)
    return log


def test_no_signal_twice_then_seen_again():
    """Dead twice: barred; cleared while dead: barred; it counts again: barred; cleared on that: allowed."""
    log = silent(log_of(lambda _day: 1.0), [LAST + 7, LAST + 14])
    assert use(log, LAST + 15) == "not_until_cleared"
    log.decide("X", LAST + 15.5, "cleared")
    assert use(log, LAST + 16) == "not_until_cleared"
    log.checks("X", [LAST + 21, LAST + 21.1])
    assert use(log, LAST + 22) == "not_until_cleared"
    assert use(log.decide("X", LAST + 22.5, "cleared"), LAST + 23) == "allowed"


@pytest.mark.parametrize("how", ["withdrawn", "out_of_use"])
def test_withdrawn_or_taken_out_and_back(how):
    """Taken out: barred, and neither due nor overdue while withdrawn; a clearing brings it back, good checks alone do not."""
    log = log_of(lambda _day: 1.0)
    log = log.event("X", LAST + 1, how) if how == "withdrawn" else log.decide("X", LAST + 1, how)
    assert use(log, LAST + 2) == "not_until_cleared"
    assert advice(log.assess(LAST + 200), "X").advice == ("watch" if how == "withdrawn" else "undetermined")
    assert (advice(log.assess(LAST + 200), "X").next_check_due_on is None) == (how == "withdrawn")
    log.checks("X", [LAST + 7, LAST + 14])
    assert use(log, LAST + 15) == "not_until_cleared"
    assert use(log.decide("X", LAST + 16, "cleared"), LAST + 17) == "allowed"


def test_an_event_by_nobody_clears_as_well_and_says_so():
    """A clearing that came as an event without a name counts; on a bad check it is named as such."""
    log = log_of(low(until=225.0)).event("X", 224.0, "cleared")
    assert "by a person not named" in reasons(log, LAST + 1)


def test_an_overruling_frees_nobody():
    """Overruled as `use`: the computed advice and patient use stay, and the reasons name who, until when and why."""
    log = log_of(low())
    log.decide("X", LAST + 1, "overrule")
    log.decisions[-1]["value"] = "use until 2022-12-31"
    answer = advice(log.assess(LAST + 2), "X")
    assert (answer.advice, answer.patient_use) == ("service", "not_until_cleared")
    assert answer.overrule.advice == "use"
    assert answer.reasons[-1].startswith("Overruled by a physicist on 2022-10-04 as `use` until 2022-12-31: as agreed.")
