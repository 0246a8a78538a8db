"""``steadycount exclude`` and ``correct``: readings hidden and put right, each with a reason."""

from __future__ import annotations

import pytest

from tests.commands.cli import document, run, said_in_one_line
from tests.commands.conftest import WEEKS


def readings(store, *more):
    """The readings that the arguments mean."""
    return document(run("exclude", *more, "--list", "--store", store, "--json"))["readings"]


def test_readings_of_a_probe_are_listed_by_id(store):
    """``--probe ID --list`` shows all readings of the probe with their ids and changes nothing."""
    listed = readings(store, "--probe", "GP-002")
    assert len(listed) == 2 * WEEKS
    assert {one["probe"] for one in listed} == {"GP-002"}
    assert document(run("exclude", "--list", "--store", store, "--json"))["exclusions"] == []


def test_a_day_means_the_whole_day_and_a_time_that_second(store):
    """A date names all readings of the day, a time those of the second."""
    day = readings(store, "--probe", "GP-001", "--taken-at", "2023-01-02")
    assert [one["measurement"] for one in day] == ["background", "source"]
    assert len(readings(store, "--probe", "GP-001", "--taken-at", day[1]["taken_at"])) == 1


def test_an_excluded_reading_is_hidden_and_can_be_taken_back(store):
    """The exclusion stands with who and why until it is taken back; the reading itself stays."""
    chosen = readings(store, "--probe", "GP-001", "--taken-at", "2023-01-02")[1]["reading_id"]
    done = run(
        "exclude", chosen, "--reason", "source beside the jig", "--by", "M. Physicist", "--store", store, "--json"
    )
    assert document(done) == {"readings": [chosen], "excluded": True}
    (only,) = document(run("exclude", "--list", "--store", store, "--json"))["exclusions"]
    assert (only["reading_id"], only["by"], only["reason"]) == (chosen, "M. Physicist", "source beside the jig")
    assert run("exclude", chosen, "--take-back", "--reason", "it was not", "--store", store).exit_code == 0
    assert document(run("exclude", "--list", "--store", store, "--json"))["exclusions"] == []


def test_an_exclusion_changes_what_is_assessed(store):
    """A hidden check is not counted among the readings of its series."""
    chosen = readings(store, "--probe", "GP-001", "--taken-at", "2023-06-05", "--measurement", "source")[0][
        "reading_id"
    ]
    before = assessed_readings(store)
    run("exclude", chosen, "--reason", "trial", "--store", store)
    assert assessed_readings(store) == before - 1


def assessed_readings(store):
    """Checks in the response series of GP-001."""
    answer = document(run("assess", "--probe", "GP-001", "--json", "--store", store))
    return next(one["readings"] for one in answer["series"] if one["quantity"] == "response")


def test_a_correction_keeps_one_reading_and_says_the_old_value(store):
    """The value is put right in place, and what it was is said."""
    chosen = readings(store, "--probe", "GP-003", "--taken-at", "2023-01-02", "--measurement", "source")[0]
    result = run(
        "correct", "counts=31234", chosen["reading_id"], "--reason", "a digit dropped", "--store", store, "--json"
    )
    assert result.exit_code == 0, result.stderr
    assert document(result)["old"] == chosen["counts"]
    (now,) = readings(store, "--probe", "GP-003", "--taken-at", "2023-01-02", "--measurement", "source")
    assert (now["reading_id"], now["counts"]) == (chosen["reading_id"], 31234)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["exclude", "1"], "--reason"),
        (["exclude", "--reason", "x"], "no reading is named"),
        (["exclude", "987654", "--reason", "x"], "987654"),
        (["exclude", "1", "--probe", "GP-001", "--reason", "x"], "one way"),
        (["exclude", "--probe", "GP-999", "--reason", "x"], "GP-999"),
        (["exclude", "--probe", "GP-001", "--taken-at", "yesterday", "--reason", "x"], "yesterday"),
        (["correct", "5012", "1", "--reason", "x"], "5012"),
        (["correct", "counts=5012", "1"], "--reason"),
        (["correct", "counts=5012", "--probe", "GP-001", "--reason", "x"], "readings fit"),
        (["correct", "counts=-3", "1", "--reason", "x"], "counts"),
        (["correct", "colour=red", "1", "--reason", "x"], "colour"),
    ],
)
def test_what_is_meant_must_be_clear_and_have_a_reason(store, arguments, said):
    """A change with no reason, of no reading, of several or to an impossible value ends with 2."""
    assert said in said_in_one_line(run(*arguments, "--store", store))
