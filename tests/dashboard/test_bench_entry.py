"""What is typed at the bench, and what becomes of it."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from analytics.advice.bench_expectation import Counting
from dashboard.seam.bench import as_entered, due_now, find_probe, fit_spares, last_setup, usable_sources
from dashboard.seam.bench_entry import Entry, number, seconds, whole
from tests.advice import bench_case as case

AT = datetime(2026, 3, 2, 8, 0)


def entry(**changes):
    """A check with a background, two countings in one placement and one after reseating."""
    plain = {
        "probe": "GP-1", "window": "Co-57", "source": "CK-1", "jig": "J-1", "background": "52",
        "placements": (("20 050", "19990"), ("20100",)), "started_at": AT, "by": "A. Lind",
    }  # fmt: skip
    return Entry(**{**plain, **changes})


def test_rows_follow_each_other_in_time_and_know_what_was_reseated():
    """Background first, then the source countings, numbered; only the first after reseating says so; 10 s apart."""
    rows = entry().rows()
    assert [row["measurement"] for row in rows] == ["background", "source", "source", "source"]
    assert [row["reseated"] for row in rows] == [False, False, False, True]
    assert [row["repeat"] for row in rows] == [1, 1, 2, 3]
    assert [row["counts"] for row in rows] == [52, 20050, 19990, 20100]
    assert [(row["taken_at"] - AT).total_seconds() for row in rows] == [0, 10, 20, 30]
    assert rows[0]["source"] is None
    assert {row["source"] for row in rows[1:]} == {"CK-1"}


@pytest.mark.parametrize(("typed_after_s", "begins_s"), [(5, -35), (39, -1), (40, 0), (300, 0), (-60, 0)])
def test_counts_typed_faster_than_they_were_counted_are_not_dated_ahead(typed_after_s, begins_s):
    """Four countings of 10 s are over by the moment they are saved; a begin that lies ahead itself stays, to be refused."""
    now = AT + timedelta(seconds=typed_after_s)
    over = entry().over_by(now)
    assert (over.started_at - AT).total_seconds() == begins_s
    assert over.over_by(now) is over  # pressing again saves the same check


def test_window_and_side_counts_have_their_own_measurement():
    """The three-position check and the side reading become rows of their own kind, on the source."""
    rows = entry(below="9000", above="8000", side="40").rows()[4:]
    assert [row["measurement"] for row in rows] == ["window_below", "window_above", "side"]
    assert all(row["source"] == "CK-1" for row in rows)


def test_nothing_counted_is_no_check():
    """Without a count, or without the time it began, there is nothing to record."""
    with pytest.raises(ValueError, match="nothing was counted"):
        entry(background="", placements=(("",),)).rows()
    with pytest.raises(ValueError, match="began"):
        entry(started_at=None).rows()


def test_a_draft_comes_back_as_it_was():
    """What was typed survives being kept, to the last box."""
    typed = entry(below="9000", note="jig cleaned", temperature_c="21,5")
    assert Entry.from_payload(typed.payload()) == typed


def test_a_draft_of_another_version_is_read_as_far_as_it_goes():
    """Unknown fields of a draft are left out, missing ones have their default."""
    read = Entry.from_payload({"probe": "GP-1", "colour": "blue"})
    assert (read.probe, read.time_s, read.placements) == ("GP-1", "10", (("",),))


@pytest.mark.parametrize(("text", "counts"), [
    ("20050", 20050), ("20 050", 20050), ("20\u202f050", 20050), ("0", 0), ("", None), ("12.5", None), ("-3", None),
    ("1e4", None), ("nan", None), ("٣", None)])  # fmt: skip
def test_counts_are_whole_numbers(text, counts):
    """Blanks between thousands are read; signs, fractions, exponents, words and other scripts' digits are not."""
    assert whole(text) == counts


@pytest.mark.parametrize(("text", "value"), [("10", 10.0), ("2,5", 2.5), ("0", None), ("-1", None), ("inf", None)])
def test_counting_times_are_above_zero(text, value):
    """A decimal comma is read; zero, negative and infinite times are not."""
    assert seconds(text) == value


def test_numbers_that_are_none_are_not_read():
    """NaN and infinity are no temperatures."""
    assert number("nan") is None
    assert number("21,5") == 21.5


def test_every_box_that_cannot_be_read_is_named_at_once():
    """All problems in one list, with the text that was typed."""
    said = entry(background="5x", time_s="0", placements=(("12.5",),), battery_pct="full").problems()
    assert len(said) == 4
    assert any("`12.5`" in one for one in said)


def test_what_cannot_be_read_is_not_counted():
    """An unreadable count takes no part in the verdict."""
    assert entry(placements=(("12.5", "20050"),)).countings() == ((Counting(20050, 10.0),),)


@pytest.mark.parametrize(("typed", "found"), [
    ("GP-1", "GP-1"), (" gp-1 ", "GP-1"), ("]C1GP-2", "GP-2"), ("GP-9", None), ("GP-", None)])  # fmt: skip
def test_a_scanned_code_finds_its_probe_and_never_a_neighbour(typed, found):
    """Case, blanks and a scanner's own prefix do not matter; what is only similar is suggested, not taken."""
    result = find_probe(case.records(probes=3), typed)
    assert result.probe == found
    if found is None:
        assert set(result.near) <= {"GP-1", "GP-2", "GP-3"}
        assert result.near


def test_the_setup_is_that_of_the_last_check():
    """Window, source and both times start as they were last used for this probe."""
    last = last_setup(case.records(), "GP-1")
    assert (last.window, last.source, last.time_s, last.background_time_s) == ("Co-57", "CK-1", "10", "10")


def test_a_withdrawn_source_is_not_offered():
    """A source that was withdrawn cannot be chosen."""
    from analytics.records import snapshot
    from analytics.records.snapshot import Records

    sources = Records.table(snapshot.SOURCES, {
        "source": ["CK-1", "CK-2"], "nuclide": ["Co-57"] * 2, "reference_at": [AT] * 2, "site": ["North"] * 2,
        "withdrawn_on": [AT, None]})  # fmt: skip
    records = Records(**{**case.records().__dict__, "sources": sources})
    assert usable_sources(records, "GP-1") == ["CK-2"]
    assert last_setup(records, "GP-1").source == "CK-2", "the next check is read on the one in its place"


def test_spares_are_fit_probes_of_the_same_site():
    """Not the probe itself, not another site's, not one that is barred; those without a finding first."""
    probes = (
        case.probe("GP-1"), case.probe("GP-2", advice="watch"), case.probe("GP-3"), case.probe("GP-4", "South"),
        case.probe("GP-5", patient_use="not_until_cleared"), case.probe("GP-6", advice="undetermined"),
    )  # fmt: skip
    assert [one.probe for one in fit_spares(case.assessment(probes), "GP-1")] == ["GP-3", "GP-2"]


def test_a_repeat_that_is_asked_for_is_due_before_all_else():
    """Probes waiting for a repeat lead the list of the day; a check due tomorrow is not on it."""
    probes = (
        case.probe("GP-1", next_check_due_on=case.AS_OF.date()), case.probe("GP-2", patient_use="repeat_first"),
        case.probe("GP-3", next_check_due_on=datetime(2026, 3, 3).date()),
    )  # fmt: skip
    assert [one.probe for one in due_now(case.assessment(probes))] == ["GP-2", "GP-1"]


def test_a_recorded_check_is_put_back_together_as_typed():
    """Rows of the records give the placements and the background that were typed."""
    from analytics.records import snapshot
    from analytics.records.snapshot import Records

    typed = entry()
    columns = {name: [row.get(name) for row in typed.rows()] for name in typed.rows()[0]}
    table = Records.table(snapshot.READINGS, {**columns, "reading_id": [1, 2, 3, 4]})
    back = as_entered(table)
    assert back.countings() == typed.countings()
    assert back.background_counting() == Counting(52, 10.0)
