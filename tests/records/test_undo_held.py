"""A load can be taken back, a held row can be mended: nothing is lost on the way."""

from __future__ import annotations

import csv
import json

import pytest

from analytics.errors import UserError
from analytics.records.check_store import check_store
from analytics.records.held import discard_held, export_held, held, release_file, release_held
from analytics.records.reader import snapshot
from analytics.records.undo import loads, undo


def test_an_undone_load_is_hidden_and_the_same_file_loads_anew(clinic, row):
    """Readings, events and held rows of the load go; loading the file again brings them back."""
    first = clinic.readings(row(), row(counts=-1))
    assert undo(clinic.store, first.load, by="tester", reason="wrong file") == 1
    assert snapshot(clinic.store).readings.empty
    assert held(clinic.store).empty
    again = clinic.readings(row(), row(counts=-1))
    assert (again.stored, again.already_there, again.held_count) == (1, 0, 1)
    assert len(held(clinic.store)) == 1
    table = loads(clinic.store).set_index("load")
    assert (table.loc[first.load, "undone_by"], table.loc[first.load, "undo_reason"]) == ("tester", "wrong file")
    assert check_store(clinic.store) == []


def test_a_load_that_others_need_is_not_undone(clinic, row):
    """The line names the loads that depend on it; in the other order both can be undone."""
    second = clinic.readings(row())
    with pytest.raises(
        UserError,
        match=rf"load 1 cannot be undone: .*readings of load {second.load} are about GP-001.*Undo those loads first",
    ):
        undo(clinic.store, 1, by="tester")
    undo(clinic.store, second.load, by="tester")
    assert undo(clinic.store, 1, by="tester") == 5
    assert snapshot(clinic.store).probes.empty


def test_undo_of_what_is_not_there_is_told(clinic):
    """No such load, or undone before."""
    with pytest.raises(UserError, match="there is no load 9"):
        undo(clinic.store, 9, by="tester")
    undo(clinic.store, 1, by="tester")
    with pytest.raises(UserError, match="load 1 was undone before"):
        undo(clinic.store, 1, by="tester")


def test_a_name_that_an_undone_load_registered_is_new_again(clinic, row):
    """After undo the jig is unknown, and registers itself anew."""
    head = clinic.head.strip() + ",jig\n"
    first = clinic.readings(row() + ",J1", head=head)
    undo(clinic.store, first.load, by="tester")
    assert clinic.readings(row() + ",J2", head=head).registered == ("registered jig: J2",)


def test_the_same_held_rows_are_not_held_twice(clinic, row):
    """The second load reports them as held, writes nothing, and the list stays as it was."""
    clinic.readings(row(counts=-1), row(probe="GP-3"))
    again = clinic.readings(row(counts=-1), row(probe="GP-3"))
    assert (again.load, again.held_count) == (None, 2)
    assert len(held(clinic.store)) == 2


def test_held_rows_that_load_after_their_probe_is_registered_are_settled(clinic, row):
    """Loading the whole file again stores them and takes them off the list."""
    clinic.readings(row(probe="GP-3"), row(counts=-1))
    clinic.load(clinic.write("p.csv", "probe,site\nGP-3,North\n"))
    assert clinic.readings(row(probe="GP-3"), row(counts=-1)).stored == 1
    assert held(clinic.store)["reason"].tolist() == ["negative"]


def test_a_held_row_is_mended_and_released(clinic, row):
    """With the cell put right it is stored; what is still wrong stays held."""
    clinic.readings(row(counts="12x"), row(probe="GP-O02"), row(source="CK-7"))
    by_reason = {one["reason"]: int(one["held_id"]) for one in held(clinic.store).to_dict("records")}
    report = release_held(
        clinic.store,
        list(by_reason.values()),
        by="tester",
        now=clinic.now,
        fixes={by_reason["not_a_number"]: {"counts": "120"}, by_reason["unknown_probe"]: {"probe": "GP-002"}},
    )
    assert (report.stored, report.held_count) == (2, 1)
    assert held(clinic.store)["reason"].tolist() == ["unknown_source"]
    assert snapshot(clinic.store).readings["file"].astype(str).unique().tolist() == ["log.csv"]
    assert check_store(clinic.store) == []
    undo(clinic.store, report.load, by="tester")
    assert len(held(clinic.store)) == 3


def test_a_near_miss_is_released_as_a_new_name_only_when_accepted(clinic, row):
    """Released as it is it stays held; accepted it registers itself."""
    clinic.readings(row(window="Co-58"))
    (number,) = held(clinic.store)["held_id"].tolist()
    assert release_held(clinic.store, [number], by="tester", now=clinic.now).stored == 0
    assert release_held(clinic.store, [number], by="tester", accept_names=True, now=clinic.now).registered == (
        "registered window: Co-58",
    )
    assert held(clinic.store).empty


def test_a_conflict_is_released_as_the_value_that_counts_from_now_on(clinic, row):
    """The old value stays in the history; loading either file again adds nothing."""
    clinic.readings(row(counts=100), name="a.csv")
    clinic.readings(row(counts=101), name="b.csv")
    (number,) = held(clinic.store)["held_id"].tolist()
    assert release_held(clinic.store, [number], by="tester", accept_changes=True, now=clinic.now).stored == 1
    readings = snapshot(clinic.store).readings
    assert (readings["counts"].tolist(), readings["reading_id"].tolist()) == ([101.0], [1])
    assert clinic.readings(row(counts=100), name="a.csv").already_there == 1
    assert clinic.readings(row(counts=101), name="b.csv").already_there == 1
    assert check_store(clinic.store) == []


def test_held_rows_are_exported_mended_and_loaded_from_the_file(clinic, row):
    """The file knows which rows it mends; it is not overwritten, and no cell of it is a formula."""
    clinic.readings(
        row(counts=-5) + ",=1+1", row(probe="GP-3") + ",x", "only,three,cells", head=clinic.head.strip() + ",note\n"
    )
    out = clinic.folder / "held.csv"
    assert export_held(clinic.store, out) == 3
    with pytest.raises(UserError, match="the file is there already"):
        export_held(clinic.store, out)
    with out.open(newline="") as stream:
        lines = list(csv.DictReader(stream))
    assert not any(cell.startswith(("=", "+", "-", "@")) for line in lines for cell in line.values())
    for line in lines:
        if line["held_reason"] == "negative":
            line["counts"] = "5"
        if line["held_reason"] == "unknown_probe":
            line["probe"] = "GP-002"
    with out.open("w", newline="") as stream:
        writer = csv.DictWriter(stream, lines[0])
        writer.writeheader()
        writer.writerows(lines)
    report = release_file(clinic.store, out, by="tester", now=clinic.now)
    assert (report.stored, report.held_count) == (2, 1)
    assert sorted(snapshot(clinic.store).readings["note"]) == ["=1+1", "x"]
    assert held(clinic.store)["reason"].tolist() == ["too_few_cells"]


def test_rows_held_under_a_column_map_are_released_under_it(clinic):
    """A decimal comma that was mended is still read as one."""
    (clinic.folder / "m.toml").write_text(
        'decimal = ","\ndate_order = "day_first"\n[columns]\ncounts = "Impulse"\n[constants]\nwindow = "Co-57"\n'
    )
    file = clinic.write(
        "x.csv", "probe;taken_at;measurement;Impulse;count_time_s;source\nGP-001;3.5.2024;source;12;0,x;CK-1\n"
    )
    assert clinic.load(file, column_map=str(clinic.folder / "m.toml")).held_count == 1
    (number,) = held(clinic.store)["held_id"].tolist()
    assert (
        release_held(clinic.store, [number], by="t", fixes={number: {"count_time_s": "0,5"}}, now=clinic.now).stored
        == 1
    )
    reading = snapshot(clinic.store).readings.iloc[0]
    assert (reading["count_time_s"], str(reading["taken_at"]), reading["window"]) == (
        0.5,
        "2024-05-03 00:00:00",
        "Co-57",
    )


def test_giving_up_held_rows_needs_a_reason_and_stays_in_the_history(clinic, row):
    """They leave the list; their cells stand in the change."""
    from analytics.records.history import history

    clinic.readings(row(counts=-1))
    numbers = held(clinic.store)["held_id"].tolist()
    with pytest.raises(UserError, match="a reason is needed"):
        discard_held(clinic.store, numbers, by="tester", reason=" ")
    assert discard_held(clinic.store, numbers, by="tester", reason="typing error, not repeatable") == 1
    assert held(clinic.store).empty
    kept = json.loads(history(clinic.store).iloc[0]["after"])
    assert json.loads(kept["rows"][0]["cells"])["counts"] == "-1"
    with pytest.raises(UserError, match="no such held row: 1"):
        release_held(clinic.store, numbers, by="tester")


def test_an_export_of_nothing_and_a_file_that_is_no_export_are_told(clinic):
    """One clear line each."""
    with pytest.raises(UserError, match="no row is held"):
        export_held(clinic.store, clinic.folder / "held.csv")
    with pytest.raises(UserError, match="column `held_id` missing"):
        release_file(clinic.store, clinic.write("p.csv", "probe,site\nGP-9,North\n"), by="tester")
