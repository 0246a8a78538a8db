"""A lone outlier that one slip of the pen explains is proposed as such, with the likely right value, and not corrected."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.advice.record_errors import digit_variants, swapped_date
from tests.baseline.logbook import HALF_LIFE_DAYS, advice, response, rules, sound_log, weekly

LAST = 39 * 7.0


def with_slip(make):
    """Four sound probes and one whose newest check is typed as ``make(counts)`` says: (counts, seconds)."""
    log = sound_log(4)
    log.probe("X").checks("X", weekly(39, offset=0.2), rate_cps=3000.0)
    counts = round(30000 * 2.0 ** (-LAST / HALF_LIFE_DAYS)) + 30
    typed, seconds = make(counts)
    log.count("X", LAST + 0.2, "background", 30)
    log.count("X", LAST + 0.202, "source", typed, count_time_s=seconds)
    return log, counts


def proposals(answer):
    """What is proposed for the probe."""
    return [text for text in response(answer, "X").notes if "?" in text]


SLIPS = {
    "digit dropped": lambda n: (int(str(n)[:2] + str(n)[3:]), 10.0),
    "digit added": lambda n: (int(str(n) + "5"), 10.0),
    "count time": lambda n: (6 * n, 10.0),
    "digits swapped": lambda n: (int(str(n)[1] + str(n)[0] + str(n)[2:]), 10.0),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_proposed_with_the_right_value(slip):
    """A digit dropped, added or swapped, or the count time wrong: proposed, repeat asked for, nothing alarmed."""
    log, counts = with_slip(SLIPS[slip])
    answer = log.assess(LAST + 1)
    assert response(answer, "X").repeat_requested
    assert rules(answer, "X") == set()
    (text,) = proposals(answer)
    assert slip in text or (slip == "digit added" and "would fit" in text)
    if slip == "count time":
        assert "60 s" in text
    assert advice(answer, "X").patient_use == "repeat_first"
    assert advice(answer, "X").cause == "record_error"
    assert counts > 0


def test_nothing_is_corrected_by_itself():
    """The point is shown as it was typed."""
    log, _ = with_slip(SLIPS["count time"])
    answer = log.assess(LAST + 1)
    point = answer.points_of(response(answer, "X")).iloc[-1]
    assert point["flag"] == "pending"
    assert point["value"] == pytest.approx(6 * point["expected"], rel=0.05)


def test_a_check_that_fits_has_no_proposal():
    """A sound check, and one that is low by what no slip explains, have none."""
    for make in (lambda n: (n, 10.0), lambda n: (round(0.83 * n), 10.0)):
        log, _ = with_slip(make)
        assert not [text for text in proposals(log.assess(LAST + 1)) if "count time" in text]
    sound, _ = with_slip(lambda n: (n, 10.0))
    assert proposals(sound.assess(LAST + 1)) == []


def test_where_two_slips_explain_a_check_both_are_named():
    """9433 for 4933 fits swapped digits and twice the time: no guess between them."""
    log = sound_log(4)
    log.probe("X").checks("X", weekly(39, offset=0.2), rate_cps=493.0 / 2.0 ** (-LAST / HALF_LIFE_DAYS))
    log.count("X", LAST + 0.2, "background", 30).count("X", LAST + 0.202, "source", 9433)
    (text,) = proposals(log.assess(LAST + 1))
    assert "20 s" in text
    assert "4933 counts: digits swapped?" in text


def test_a_check_counted_in_another_window_of_the_probe_is_proposed():
    """A probe read in two windows, and once at the ratio of the other: named, with what is usual."""
    log = sound_log(4)
    log.probe("X").checks("X", weekly(39, offset=0.2), rate_cps=3000.0)
    log.checks("X", weekly(39, offset=0.21), rate_cps=1860.0, window="Tc-99m")
    counts = round(0.62 * 30000 * 2.0 ** (-LAST / HALF_LIFE_DAYS)) + 30
    log.count("X", LAST + 0.2, "background", 30).count("X", LAST + 0.202, "source", counts)
    answer = log.assess(LAST + 1)
    (text,) = [note for one in answer.series_of("X", "response") for note in one.notes if "?" in note]
    assert "the window Tc-99m does" in text
    assert "62 % of its neighbours" in text or "61 %" in text or "63 %" in text
    assert "are usual" in text


def test_day_and_month_swapped_is_proposed():
    """A check of 7 March typed as of 3 July decays to 74 %: proposed with the other date."""
    log = sound_log(4)
    log.probe("X").checks("X", [7.0 * n + 0.2 for n in range(25)], rate_cps=3000.0)
    # 3 July 2022 is day 181; what was counted on 7 March (day 63) is typed under that date.
    counts = 30000 * 2.0 ** (-63.0 / HALF_LIFE_DAYS)
    log.count("X", 181.2, "background", 30).count("X", 181.202, "source", round(counts) + 30)
    answer = log.assess(190.0)
    assert any("2022-03-07" in text and "day and month" in text for text in proposals(answer))


@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(counts=st.integers(0, 10**6))
def test_variants_are_one_slip_away(counts):
    """Every variant with a digit dropped turns into the counts by dropping one; a swap is its own inverse."""
    made = digit_variants(counts)
    assert counts not in made
    text = str(counts)
    for number, kind in made.items():
        other = str(number)
        if kind == "digits_swapped" and len(other) == len(text):
            assert digit_variants(number)[counts] in {"digits_swapped", "digit_dropped"}
        if kind == "digit_dropped" and len(other) == len(text) + 1:
            assert any(other[:i] + other[i + 1 :] == text for i in range(len(other)))


def test_swapped_dates():
    """Only where both readings are dates and differ."""
    assert swapped_date(datetime(2024, 3, 7, 9)) == datetime(2024, 7, 3, 9)
    assert swapped_date(datetime(2024, 5, 5)) is None
    assert swapped_date(datetime(2024, 5, 13)) is None
