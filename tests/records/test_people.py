"""What people do with records: exclude, correct, decide, type in; each leaves who, when and why."""

from __future__ import annotations

import json
from datetime import datetime

import pandas as pd
import pytest

from analytics.errors import UserError
from analytics.records import drafts, people
from analytics.records.check_store import check_store
from analytics.records.history import chain_head, history, history_count
from analytics.records.reader import snapshot
from analytics.records.store import holds_only, is_empty, revision
from analytics.records.store_settings import save_settings, setting_versions, settings_layer
from analytics.records.typed_in import add_rows, record_check

ROW = {
    "probe": "GP-001",
    "taken_at": datetime(2024, 5, 1, 8),
    "window": "Co-57",
    "measurement": "source",
    "counts": 12000,
    "count_time_s": 10,
    "source": "CK-1",
}


@pytest.fixture
def read(clinic, row):
    """A clinic with three readings."""
    clinic.readings(row(), row(taken_at="2024-05-02"), row(taken_at="2024-05-03"))
    return clinic


def test_an_exclusion_hides_a_reading_and_can_be_taken_back(read):
    """Flagged in the snapshot, with a reason in the history; doing either twice is refused."""
    people.exclude(read.store, [1, 3], by="anna", reason="source forgotten")
    assert snapshot(read.store).readings["excluded"].tolist() == [True, False, True]
    with pytest.raises(UserError, match="excluded already: reading 1"):
        people.exclude(read.store, 1, by="anna", reason="again")
    people.include(read.store, 1, by="ben", reason="was there after all")
    assert people.exclusions(read.store)["reading_id"].tolist() == [3]
    with pytest.raises(UserError, match="not excluded: reading 1"):
        people.include(read.store, 1, by="ben", reason="again")
    assert history(read.store)[["action", "by", "reason"]].head(2).to_numpy().tolist() == [
        ["include", "ben", "was there after all"],
        ["exclude", "anna", "source forgotten"],
    ]


def test_a_change_without_reason_name_or_object_is_refused(read):
    """Nothing is written."""
    before = revision(read.store)
    for call, line in (
        (lambda: people.exclude(read.store, 1, by="anna", reason=""), "a reason is needed"),
        (lambda: people.exclude(read.store, 1, by=" ", reason="x"), "a change needs a name"),
        (lambda: people.exclude(read.store, 99, by="anna", reason="x"), "there is no reading 99"),
        (
            lambda: people.decide(read.store, "praised", probe="GP-001", by="a", reason="x"),
            "there is no decision `praised`",
        ),
        (lambda: people.decide(read.store, "cleared", probe="GP-9", by="a", reason="x"), "there is no probe `GP-9`"),
        (lambda: people.decide(read.store, "cleared", probe=None, by="a", reason="x"), "the probe is not named"),
        (lambda: people.decide(read.store, "overrule", probe="GP-001", by="a", reason="x"), "needs the advice"),
        (lambda: people.decide(read.store, "settled", probe="GP-001", by="a", reason="x"), "the alert is not named"),
    ):
        with pytest.raises(UserError, match=line):
            call()
    assert revision(read.store) == before


def test_a_correction_keeps_the_number_the_exclusion_and_the_old_value(read):
    """The new value counts; before and after stand in the history; the file it came from still adds nothing."""
    people.exclude(read.store, 2, by="anna", reason="typing error?")
    people.correct(read.store, 2, "counts", 12100, by="anna", reason="digits swapped")
    readings = snapshot(read.store).readings.set_index("reading_id")
    assert (readings.loc[2, "counts"], readings.loc[2, "excluded"], len(readings)) == (12100, True, 3)
    change = history(read.store).iloc[0]
    assert (change["action"], change["subject"], change["reason"]) == ("correct", "reading 2", "digits swapped")
    assert (json.loads(change["before"])["counts"], json.loads(change["after"])["counts"]) == (12000, 12100)
    people.correct(read.store, 2, "taken_at", "2024-05-04 09:00", by="anna", reason="wrong day")
    again = read.load(read.folder / "log.csv")
    assert (again.stored, again.already_there) == (0, 3)
    assert check_store(read.store) == []


@pytest.mark.parametrize(
    ("column", "value", "line"),
    [
        ("counts", -1, "cannot be stored .negative."),
        ("counts", 12000, "is 12000 already"),
        ("probe", "GP-9", "unknown_probe"),
        ("taken_at", "2024-05-02", "reading 2 is that counting already"),
        ("taken_at", "2031-01-01", "in_future"),
        ("colour", "red", "no column `colour`"),
        ("source", None, "missing_value"),
        ("window", "Co-58", "near_miss"),
    ],
)
def test_a_correction_is_checked_like_a_row_of_a_file(read, column, value, line):
    """What would be held in a file is refused, and nothing is written."""
    before = revision(read.store)
    with pytest.raises(UserError, match=line):
        people.correct(read.store, 1, column, value, by="anna", reason="x")
    assert revision(read.store) == before


def test_a_displayed_rate_survives_a_correction_of_another_column(clinic):
    """Its last digit is still worth what it was."""
    clinic.load(
        clinic.write(
            "r.csv",
            "probe,taken_at,window,measurement,rate_cps,count_time_s,source\nGP-001,2024-05-01,Co-57,source,230.0,10,CK-1\n",
        )
    )
    people.correct(clinic.store, 1, "note", "read twice", by="anna", reason="x")
    reading = snapshot(clinic.store).readings.iloc[0]
    assert (reading["rate_cps"], round(reading["rate_step_cps"], 9), reading["note"]) == (230.0, 0.1, "read twice")


def test_a_decision_stands_in_the_snapshot(read):
    """Kinds with what each needs; numbers rise."""
    assert people.decide(read.store, "cleared", probe="GP-001", by="anna", reason="read again, fine") == 1
    assert (
        people.decide(read.store, "overrule", probe="GP-002", value="watch", by="anna", reason="new cable coming") == 2
    )
    assert people.decide(read.store, "seen", probe="GP-002", episode="E-1", by="anna", reason="") == 3
    assert snapshot(read.store).decisions[["kind", "probe"]].to_numpy().tolist() == [
        ["cleared", "GP-001"],
        ["overrule", "GP-002"],
        ["seen", "GP-002"],
    ]
    assert check_store(read.store) == []


def test_a_typed_in_check_is_stored_whole_or_not_at_all(clinic):
    """One wrong row and nothing is written; the report says what is wrong."""
    good, bad = dict(ROW), ROW | {"measurement": "background", "source": None, "counts": -3}
    before = revision(clinic.store)
    report = record_check(clinic.store, [good, bad], by="anna", now=clinic.now)
    assert (report.load, report.held[0].reason, revision(clinic.store)) == (None, "negative", before)
    assert record_check(clinic.store, [good, bad | {"counts": 3}], by="anna", now=clinic.now, dry_run=True).load is None
    report = record_check(clinic.store, pd.DataFrame([good, bad | {"counts": 3}]), by="anna", now=clinic.now)
    assert (report.stored, report.files[0].file) == (2, "typed in")
    assert snapshot(clinic.store).readings["counts"].tolist() == [12000, 3]


def test_rows_of_any_table_can_be_typed_in(clinic):
    """Events and inspections; an unknown column or no row at all is refused."""
    assert (
        add_rows(
            clinic.store,
            "events",
            [{"probe": "GP-001", "happened_at": "2024-01-01", "kind": "repair"}],
            by="a",
            now=clinic.now,
        ).stored
        == 1
    )
    with pytest.raises(UserError, match="no such column: weather"):
        add_rows(
            clinic.store,
            "events",
            [{"probe": "GP-001", "happened_at": "2024-01-01", "kind": "repair", "weather": "fine"}],
            by="a",
        )
    with pytest.raises(UserError, match="there are no rows"):
        add_rows(clinic.store, "events", [], by="a")


def test_an_entry_of_a_registry_is_changed_as_a_new_version(clinic):
    """The old entry stays in the history, and the file it came from is still already there."""
    people.change_registry(
        clinic.store, "sources", "CK-1", {"withdrawn_on": "2024-05-31"}, by="anna", reason="too weak"
    )
    assert str(snapshot(clinic.store).sources.set_index("source").loc["CK-1", "withdrawn_on"].date()) == "2024-05-31"
    assert (
        clinic.load(clinic.folder / "sources.csv").held_count == 0 if (clinic.folder / "sources.csv").exists() else True
    )
    with pytest.raises(UserError, match="there is no `CK-9`"):
        people.change_registry(clinic.store, "sources", "CK-9", {"site": "x"}, by="anna", reason="x")
    with pytest.raises(UserError, match="cannot be stored"):
        people.change_registry(clinic.store, "sources", "CK-1", {"activity_kbq": -1}, by="anna", reason="x")
    with pytest.raises(UserError, match="cannot be changed"):
        people.change_registry(clinic.store, "sources", "CK-1", {"source": "CK-2"}, by="anna", reason="x")


def test_drafts_are_kept_apart_from_the_records(clinic):
    """Saving one neither raises the revision nor writes history."""
    before = revision(clinic.store), history_count(clinic.store)
    number = drafts.save_draft(clinic.store, {"probe": "GP-001"}, by="anna")
    assert drafts.save_draft(clinic.store, {"probe": "GP-002"}, by="anna", draft_id=number) == number
    assert [json.loads(one) for one in drafts.drafts(clinic.store, by="anna")["payload"]] == [{"probe": "GP-002"}]
    assert drafts.drafts(clinic.store, by="ben").empty
    drafts.delete_draft(clinic.store, number)
    with pytest.raises(UserError, match="there is no draft 1"):
        drafts.delete_draft(clinic.store, number)
    assert (revision(clinic.store), history_count(clinic.store)) == before


def test_settings_are_kept_as_versions_and_checked_first(clinic):
    """What cannot be used is refused with every problem at once; the newest version counts."""
    assert settings_layer(clinic.store) == {}
    assert save_settings(clinic.store, {"limits": {"tolerance_pct": 8}}, by="anna", reason="local rule") == 1
    assert save_settings(clinic.store, {"limits": {"tolerance_pct": 9}}, by="anna") == 2
    assert settings_layer(clinic.store) == {"limits": {"tolerance_pct": 9}}
    assert setting_versions(clinic.store)["version"].tolist() == [2, 1]
    with pytest.raises(UserError, match=r"tolerance_pct.*"):
        save_settings(clinic.store, {"limits": {"tolerance_pct": -1}}, by="anna")
    with pytest.raises(UserError, match="there is no time zone `Mars/Base`"):
        save_settings(clinic.store, {"site": {"time_zone": "Mars/Base"}}, by="anna")
    assert check_store(clinic.store) == []


def test_every_change_moves_the_head_of_the_chain(read):
    """The head is what reports and backups print; revision and number of changes rise together."""
    seen = {chain_head(read.store)}
    people.exclude(read.store, 1, by="a", reason="x")
    seen.add(chain_head(read.store))
    people.include(read.store, 1, by="a", reason="x")
    seen.add(chain_head(read.store))
    assert len(seen) == 3
    assert history_count(read.store) == revision(read.store) == 4
    assert len(history(read.store, limit=2, offset=1)) == 2


def test_whose_store_it_is_can_be_told(clinic):
    """For the demo: empty, or written by one name only."""
    assert not is_empty(clinic.store)
    assert holds_only(clinic.store, by="tester")
    assert not holds_only(clinic.store, by="demo")
    assert is_empty(clinic.folder / "none.duckdb")
    assert holds_only(clinic.folder / "none.duckdb", by="x")
