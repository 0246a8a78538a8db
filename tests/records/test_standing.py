"""The newest revision read on from an earlier one is what reading everything gives."""

from __future__ import annotations

import shutil

import pandas as pd
import pytest

from analytics.records.corrections import correct
from analytics.records.people import exclude, include
from analytics.records.reader import snapshot
from analytics.records.snapshot import Records
from analytics.records.standing import OF_NOBODY, read_on, standing
from analytics.records.undo import undo


def same(one: Records, other: Records) -> None:
    """Every table, its order and its types."""
    assert one.revision == other.revision
    for name in Records.__dataclass_fields__:
        if name != "revision":
            pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)


@pytest.fixture
def two_probes(clinic, row):
    """A store in which both probes were read on three days."""
    clinic.readings(*(row(probe=p, taken_at=f"2024-05-0{d} 08:00") for p in ("GP-001", "GP-002") for d in (1, 2, 3)))
    return clinic


def _corrected(clinic, _row):
    exclude(clinic.store, 2, by="tester", reason="knocked over")
    correct(clinic.store, 3, "counts", 11_000, by="tester", reason="typing error", now=clinic.now)
    include(clinic.store, 2, by="tester", reason="it was not")


@pytest.mark.parametrize(
    ("act", "altered"),
    [
        (lambda clinic, row: clinic.readings(row(taken_at="2024-05-04 08:00")), {"GP-001"}),
        (lambda clinic, row: clinic.readings(row(taken_at="2024-04-04 08:00", probe="GP-002")), {"GP-002"}),
        (lambda clinic, row: exclude(clinic.store, 5, by="tester", reason="knocked over"), {"GP-002"}),
        (_corrected, {"GP-001"}),
        (lambda clinic, row: clinic.readings(row(probe="GP-009", taken_at="2024-05-04 08:00"), register_new=True), {"GP-009"}),
    ],
)
def test_what_was_added_hidden_or_corrected_is_read_and_nothing_else(two_probes, row, act, altered):
    """The altered probes are those of the act, their prints alone are others, and all tables are those of a fresh reading."""
    before = standing(two_probes.store)
    same(before.records, snapshot(two_probes.store))
    act(two_probes, row)
    now = read_on(two_probes.store, before)
    same(now.records, snapshot(two_probes.store))
    assert now.altered == altered
    other = {one for one in {*now.prints, *before.prints} if now.prints.get(one) != before.prints.get(one)}
    assert other == altered
    assert set(now.readings_of(["GP-001"])["probe"].astype(str)) == {"GP-001"}


def test_an_undone_load_takes_its_rows_out(two_probes, row):
    """Undone, the readings are gone and the print is what it was before the load; with its last rows a probe is altered too."""
    before = standing(two_probes.store)
    report = two_probes.readings(row(taken_at="2024-05-04 08:00"))
    after = read_on(two_probes.store, before)
    undo(two_probes.store, report.load, by="tester", reason="wrong file")
    again = read_on(two_probes.store, after)
    same(again.records, snapshot(two_probes.store))
    assert after.prints != before.prints
    assert again.prints == before.prints
    undo(two_probes.store, 2, by="tester", reason="wrong file")
    same(read_on(two_probes.store, again).records, snapshot(two_probes.store))


def test_of_a_probe_with_nothing_but_new_readings_no_more_than_these_are_read(two_probes, row):
    """Added, added again, one hidden, another added, undone: each revision is that of a fresh reading, and what stands is not read anew."""
    c = two_probes
    last = c.readings(*(row(taken_at=f"2024-0{m}-{d:02d} 08:00") for m in (2, 3) for d in range(1, 29))).load
    now = standing(c.store)
    for act, read_anew, more in (
        (lambda: c.readings(row(taken_at="2024-05-04 08:00")), set(), 1),
        (lambda: c.readings(row(taken_at="2024-05-05 08:00"), row(taken_at="2024-04-05 08:00")), set(), 3),
        (lambda: exclude(c.store, 5, by="tester", reason="knocked over"), {"GP-002"}, 6),
        (lambda: c.readings(row(probe="GP-002", taken_at="2024-05-04 08:00")), {"GP-002"}, 7),
        (lambda: c.readings(row(taken_at="2024-05-06 08:00")), {"GP-002"}, 8),
        (lambda: include(c.store, 5, by="tester", reason="it was not"), {"GP-002"}, 8),
        (lambda: undo(c.store, last + 4, by="tester", reason="wrong file"), set(), 0),  # most of it is GP-001: all is read
    ):
        act()
        now = read_on(c.store, now)
        same(now.records, snapshot(c.store))
        assert now.replaced == read_anew
        assert len(now.now.readings) == more
        for probe in ("GP-001", "GP-002"):
            mine = snapshot(c.store).readings
            assert now.readings_of([probe])["reading_id"].tolist() == mine.loc[mine["probe"] == probe, "reading_id"].tolist()


def test_an_event_alters_the_print_of_its_probe_and_a_source_that_of_nobody(two_probes):
    """No reading was added, and still what is known of the probe is another."""
    before = standing(two_probes.store)
    two_probes.load(two_probes.write("events.csv", "probe,happened_at,kind\nGP-002,2024-05-02,repair\n"))
    now = read_on(two_probes.store, before)
    assert {one for one in now.prints if now.prints[one] != before.prints.get(one)} == {"GP-002"}
    two_probes.load(two_probes.write("sources.csv", "source,nuclide,reference_at,activity_kbq\nCK-7,Co-57,2024-01-01,3000\n"))
    later = read_on(two_probes.store, now)
    assert {one for one in later.prints if later.prints[one] != now.prints.get(one)} == {OF_NOBODY}
    same(later.records, snapshot(two_probes.store))


def test_another_store_in_its_place_is_read_anew(two_probes, row, tmp_path):
    """An earlier copy put back and gone on from: the same numbers of rows and revisions, and not one row of before is kept."""
    kept = tmp_path / "kept.duckdb"
    shutil.copyfile(two_probes.store, kept)
    two_probes.readings(row(taken_at="2024-05-04 08:00", counts=11_000))
    before = standing(two_probes.store)
    shutil.copyfile(kept, two_probes.store)
    two_probes.readings(row(taken_at="2024-05-04 08:00", counts=9_000))
    now = read_on(two_probes.store, before)
    assert now.revision == before.revision
    same(now.records, snapshot(two_probes.store))


def test_where_most_is_another_everything_is_read_again(two_probes, row):
    """More than three probes altered, and more than a fifth: a new base."""
    before = standing(two_probes.store)
    two_probes.readings(*(row(probe=f"GP-0{n}", taken_at="2024-05-04 08:00") for n in range(10, 16)), register_new=True)
    now = read_on(two_probes.store, before)
    assert now.altered == frozenset()
    same(now.records, snapshot(two_probes.store))
