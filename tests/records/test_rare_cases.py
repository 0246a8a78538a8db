"""What seldom happens to the records: files from a spreadsheet's corner, disks and folders that go, loads beyond memory."""

from __future__ import annotations

import errno
import io
import shutil
import zipfile
from datetime import date, time, timedelta
from pathlib import Path

import duckdb
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analytics.errors import UnavailableError, UserError
from analytics.records import faults, loans, people
from analytics.records.alert_log import _changes, withdrawn_by
from analytics.records.backup import backup, restore
from analytics.records.check_store import check_store
from analytics.records.column_map import ColumnMap
from analytics.records.digest import digest
from analytics.records.export import export
from analytics.records.guess import guess
from analytics.records.held import export_held, held, release_file
from analytics.records.history import FIRST_HASH
from analytics.records.intake.excel import cell_text
from analytics.records.lease import holder, lock_path
from analytics.records.people import correct
from analytics.records.reader import snapshot
from analytics.records.rewind import records_at
from analytics.records.saved_maps import maps, save_map
from analytics.records.store import Store, create
from analytics.records.undo import undo
from analytics.records.watched import DONE, How, take_all, watched


def test_a_load_too_large_for_memory_is_stored_the_same(clinic, row, monkeypatch):
    """Rows that are spilled to disk on the way count, are held and are told from what is there as all others."""
    from analytics.records import merge

    monkeypatch.setattr(merge, "MOST_IN_MEMORY", 2)
    rows = [row(taken_at=f"2024-05-0{day} 08:00") for day in range(1, 8)]
    report = clinic.readings(*rows, row(probe="GP-9", taken_at="2024-05-09"))
    assert (report.stored, report.held_count) == (7, 1)
    again = clinic.readings(*rows, row(taken_at="2024-05-08"), name="more.csv")
    assert (again.stored, again.already_there) == (1, 7)
    assert check_store(clinic.store) == []


def test_a_digest_of_many_rows_does_not_depend_on_how_they_come(monkeypatch):
    """Blocks of a fixed length are cut out of batches of any length."""
    from analytics.records import digest as module

    rows = pa.record_batch({"a": list(range(23)), "b": [str(one) for one in range(23)]})
    whole = digest([rows])
    monkeypatch.setattr(module, "BLOCK_ROWS", 5)
    cut = digest([rows])
    assert cut != whole
    assert cut == digest([rows.slice(0, 3), rows.slice(3, 11), rows.slice(14)])


def test_a_workbook_with_blank_rows_and_sheets_and_every_kind_of_cell(clinic):
    """Blank rows above the heading count as rows, a sheet of blanks is no table, numbers and times read as they were meant."""
    book = openpyxl.Workbook()
    book.create_sheet("blank")["A1"] = "   "
    sheet = book.active
    for cells in ((), (), ("probe", "taken_at", "window", "measurement", "counts", "count_time_s", "source", "reseated")):
        sheet.append(cells)
    sheet["A4"], sheet["B4"], sheet["C4"], sheet["D4"] = "GP-001", date(2024, 5, 1), "Co-57", "source"
    sheet["E4"], sheet["F4"], sheet["G4"], sheet["H4"] = 12000.0, 10.5, "CK-1", True
    book.save(clinic.folder / "book.xlsx")
    report = clinic.load(clinic.folder / "book.xlsx")
    assert [(one.rows, one.stored) for one in report.files] == [(1, 1)]
    reading = snapshot(clinic.store).readings.iloc[0]
    assert (reading["counts"], reading["count_time_s"], reading["reseated"], reading["row"]) == (12000, 10.5, True, 4)
    assert [cell_text(one) for one in (3, time(8, 5), timedelta(hours=1), None, 1e16)] == [
        "3", "08:05:00", "1:00:00", None, "1e+16",
    ]  # fmt: skip


def test_a_workbook_with_a_broken_inside_is_told_in_one_line(clinic):
    """Its list of sheets cannot be read, though it is a workbook from outside."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("xl/workbook.xml", "<workbook")
    with pytest.raises(UserError, match="the workbook cannot be read") as error:
        clinic.load(clinic.write("b.xlsx", out.getvalue()))
    assert "\n" not in str(error.value)


def test_a_parquet_file_without_columns_and_one_that_breaks_off_are_told(clinic):
    """Each in one line, and nothing is stored."""
    pq.write_table(pa.table({}), clinic.folder / "none.parquet")
    with pytest.raises(UserError, match="the file is empty"):
        clinic.load(clinic.folder / "none.parquet")
    pq.write_table(pa.table({"probe": ["GP-9"] * 500, "site": [str(one) for one in range(500)]}), clinic.folder / "p.parquet")
    content = bytearray((clinic.folder / "p.parquet").read_bytes())
    content[40:200] = b"\xff" * 160
    with pytest.raises(UserError, match="the Parquet file is damaged"):
        clinic.load(clinic.write("broken.parquet", bytes(content)))
    assert len(snapshot(clinic.store).probes) == 2


def test_a_file_of_separators_alone_is_empty_and_named_as_it_was_given(clinic):
    """Also where several files are loaded, so that it is known which."""
    blank = clinic.write("blank.csv", ",,,\n;;\n\t\n")
    with pytest.raises(UserError) as error:
        clinic.load(blank, clinic.write("no.csv", "a,b\n1,2\n"))
    assert f"{blank}: the file is empty" in str(error.value)


def test_blanks_of_every_kind_around_cells_are_no_part_of_them(clinic, row):
    """Tabs in a file of commas, no-break spaces, and blanks at the very ends."""
    text = row().replace(",", "\t,", 1).replace("Co-57", "Co-57\u00a0") + "\n" + row(probe=" GP-002 ") + " "
    report = clinic.load(clinic.write("log.csv", clinic.head + text))
    assert report.stored == 2
    assert set(snapshot(clinic.store).readings["window"]) == {"Co-57"}


def test_dates_written_year_first_need_no_order(clinic, row):
    """A map that leaves the order to the column finds nothing to decide there."""
    save_map(clinic.store, "auto", ColumnMap(date_order="auto"), by="t")
    assert clinic.readings(row(), column_map="auto").stored == 1


def test_every_mistake_of_a_map_is_named():
    """Signs, orders, headings, units and words that cannot be."""
    text = (
        'date_order = "backwards"\ndecimal = ","\nthousands = ","\n[columns]\nprobe = ["a", "b", "c"]\n'
        '[units]\ncount_time_s = 5\n[words]\nmeasurement = "x"\n'
    )
    with pytest.raises(UserError) as error:
        ColumnMap.from_toml(text)
    for part in (
        "date_order is not one of", "thousands is none of", "`probe` must be one heading or two",
        "`count_time_s` must be text", "[words.measurement] must give text",
    ):  # fmt: skip
        assert part in str(error.value)
    assert ColumnMap().is_plain
    assert not ColumnMap(decimal=",").is_plain


def test_a_rate_per_minute_is_guessed_from_its_heading_and_exported_with_a_note(clinic):
    """Loaded in its unit, it is exported in cps, and the export says that its last digit is no decimal one any more."""
    made = guess(("probe", "taken_at", "window", "measurement", "cpm", "count_time_s", "source"), ())
    assert (made.columns["rate_cps"], made.units["rate_cps"]) == (("cpm",), "cpm")
    file = clinic.write(
        "cpm.csv", "probe,taken_at,window,measurement,cpm,count_time_s,source\nGP-001,2024-05-01,Co-57,source,6000,60,CK-1\n"
    )
    save_map(clinic.store, "minutes", made, by="t")
    assert clinic.load(file, column_map="minutes").stored == 1
    assert snapshot(clinic.store).readings["rate_cps"].tolist() == [100.0]
    (clinic.folder / "out").mkdir()
    assert export(clinic.store, clinic.folder / "out", by="t", at=clinic.now).notes[0].startswith("1 displayed rates")


def test_where_nothing_is_registered_an_unknown_id_says_so(empty_clinic, row):
    """There is nothing it could be like."""
    report = empty_clinic.readings(row())
    assert "No probe is registered yet." in report.held[0].hint
    assert maps(empty_clinic.folder / "none.duckdb") == []


def test_corrections_that_cannot_be_are_refused_and_a_rate_may_replace_a_count(clinic, row):
    """Without reason, of no reading, of no column; with the rate known instead, the counts are blank."""
    clinic.readings(row())
    for given, reason, said in (
        ((1, "note", "x"), " ", "a reason is needed"),
        ((99, "note", "x"), "why", "there is no reading 99"),
        ((1, "colour", "x"), "why", "no column `colour`"),
    ):
        with pytest.raises(UserError, match=said):
            correct(clinic.store, *given, by="t", reason=reason)
    correct(clinic.store, 1, "rate_cps", 1200, by="t", reason="only the display was read", now=clinic.now)
    reading = snapshot(clinic.store).readings.iloc[0]
    assert (reading["counts"] != reading["counts"], reading["rate_cps"]) == (True, 1200)
    with pytest.raises(UserError, match="nobody is named to hand it to"):
        people.decide(clinic.store, "handed", probe="GP-001", episode="E-1", value=" ", by="t", reason="x")


def test_a_loan_cannot_end_before_it_begins_or_without_a_reason(clinic):
    """The register stays as it was."""
    loans.lend(clinic.store, "GP-001", "South", date(2024, 5, 1), None, by="t", note="spare")
    for end, reason, said in ((date(2024, 4, 1), "x", "begins on 2024-05-01"), (date(2024, 6, 1), " ", "no reason was given")):
        with pytest.raises(UserError, match=said):
            loans.end_loan(clinic.store, 1, end, by="t", reason=reason)
    assert loans.loans(clinic.store)[0].to_on is None


def test_held_rows_of_one_load_are_listed_and_a_file_that_names_one_twice_is_refused(clinic, row):
    """So is a place that cannot be written to."""
    clinic.readings(row(counts="x"))
    clinic.readings(row(counts="y", taken_at="2024-05-02"), name="b.csv")
    assert held(clinic.store, load=3)["value"].tolist() == ["y"]
    with pytest.raises(UserError, match="the file cannot be written"):
        export_held(clinic.store, clinic.folder / "nowhere" / "x.csv")
    export_held(clinic.store, clinic.folder / "x.csv", load=2)
    lines = (clinic.folder / "x.csv").read_text(encoding="utf-8").splitlines()
    with pytest.raises(UserError, match="is no number of a held row, or stands twice"):
        release_file(clinic.store, clinic.write("twice.csv", "\n".join([*lines, lines[-1]]) + "\n"), by="t")


def test_no_store_is_made_where_there_is_no_folder(tmp_path):
    """The line says where one could be."""
    with pytest.raises(UserError, match="no store can be made here"):
        create(tmp_path / "nowhere" / "s.duckdb")
    with pytest.raises(UserError, match="no store can be made here"):
        create(tmp_path)


def test_an_empty_store_is_backed_up_too(tmp_path):
    """Its history has not begun, and restored it still has not."""
    create(tmp_path / "s.duckdb")
    assert backup(tmp_path / "s.duckdb", tmp_path / "b.duckdb") == FIRST_HASH
    assert restore(tmp_path / "b.duckdb", tmp_path / "r.duckdb") == FIRST_HASH
    with pytest.raises(UserError, match="there is no such folder"):
        backup(tmp_path / "s.duckdb", tmp_path / "nowhere" / "b.duckdb")


def test_a_backup_whose_name_is_taken_meanwhile_overwrites_nothing(clinic, monkeypatch):
    """Somebody else's file of that name stays; where the disk knows no links, the copy is moved there instead."""
    from analytics.records import backup as module

    def taken(_draft, target):
        Path(target).write_text("another's")
        raise FileExistsError

    monkeypatch.setattr(module.os, "link", taken)
    with pytest.raises(UserError, match="the file is there already"):
        backup(clinic.store, clinic.folder / "b.duckdb")
    assert (clinic.folder / "b.duckdb").read_text() == "another's"

    def unknown(_draft, _target):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(module.os, "link", unknown)
    backup(clinic.store, clinic.folder / "c.duckdb")
    assert check_store(clinic.folder / "c.duckdb") == []


def test_a_store_that_lost_its_own_row_is_told(clinic):
    """Without the number of its layout nobody can say how to read it."""
    with duckdb.connect(str(clinic.store)) as con:
        con.execute("DELETE FROM store")
    with pytest.raises(UserError, match="the store has lost its version number"):
        snapshot(clinic.store)


def test_a_ticket_that_holds_nonsense_names_nobody(clinic):
    """Whoever waits is still told something."""
    lock_path(clinic.store).write_text("{half a sentence")
    assert holder(clinic.store) == "another process that reads it"
    with Store(clinic.store).reading():
        pass


def test_complaints_of_the_database_are_put_in_words(clinic, monkeypatch):
    """A full disk that does not say so, too little memory, and a complaint that nobody knows."""
    assert "not enough memory" in str(faults.in_words(duckdb.OutOfMemoryException("failed to allocate"), clinic.store))
    assert "damaged or cannot be read (gibberish)" in str(faults.in_words(duckdb.IOException("gibberish\nmore"), clinic.store))
    assert "damaged or cannot be read (OSError)" in str(faults.in_words(OSError(), clinic.store))
    little = shutil.disk_usage(clinic.folder)._replace(free=10)
    monkeypatch.setattr(faults.shutil, "disk_usage", lambda _: little)
    assert "the disk is full" in str(faults.in_words(duckdb.IOException("could not write"), clinic.store))

    def gone(_):
        raise OSError

    monkeypatch.setattr(faults.shutil, "disk_usage", gone)
    assert "damaged" in str(faults.in_words(duckdb.IOException("could not write"), clinic.store))


def test_a_watched_folder_that_is_another_disk_or_goes_away(clinic, row, monkeypatch):
    """Where a file cannot be renamed it is copied; where it cannot be moved at all it stays and is said; so is a lost folder."""
    folder = clinic.folder / "in"
    folder.mkdir()
    rename = Path.rename
    trouble = [errno.EXDEV, errno.EACCES]

    def refuse(self, target):
        if trouble and self.parent == folder:
            raise OSError(trouble.pop(0), "no")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", refuse)
    with watched(folder, clinic.store) as place:
        for number, outcome in enumerate((DONE, None), 1):
            (folder / f"log{number}.csv").write_text(clinic.head + row(taken_at=f"2024-05-0{number}") + "\n")
            place.look()
            ready, _ = place.look()
            if outcome:
                assert [one.outcome for one in take_all(clinic.store, place, ready, How("w"), str)] == [outcome]
            else:
                with pytest.raises(UnavailableError, match="taken in, but cannot be moved"):
                    list(take_all(clinic.store, place, ready, How("w"), str))
                assert place.look()[0] == []
        assert (folder / DONE / "log1.csv").exists()
        assert (folder / "log2.csv").exists()
        assert len(snapshot(clinic.store).readings) == 2
        shutil.rmtree(folder)
        with pytest.raises(UnavailableError, match="the folder cannot be looked into"):
            place.look()


def test_a_report_beside_a_watched_file_lists_so_many_held_rows_and_no_more(clinic, row, monkeypatch):
    """The rest is told by its number."""
    from analytics.records import watched as module

    monkeypatch.setattr(module, "MOST_LISTED", 2)
    folder = clinic.folder / "in"
    folder.mkdir()
    (folder / "log.csv").write_text(clinic.head + "".join(row(counts="x", taken_at=f"2024-05-0{day}") + "\n" for day in range(1, 6)))
    with watched(folder, clinic.store) as place:
        place.look()
        list(take_all(clinic.store, place, place.look()[0], How("w"), str))
    assert "  and 3 more" in (folder / "held" / "log.csv.report.txt").read_text()


def test_what_a_load_taken_back_touched_is_known_to_the_log(clinic, row):
    """Its readings and their probes, so that an alert which it took back names it."""
    load = clinic.readings(row()).load
    undo(clinic.store, load, by="anna", reason="wrong file")
    with Store(clinic.store).reading() as con:
        changes = _changes(con, 2)
    assert changes[-1].touches == frozenset({1})
    assert withdrawn_by(changes, 2, "GP-001", 1) == "withdrawn: load taken back by anna: wrong file"
    assert len(records_at(clinic.store, 2).records.readings) == 1


def test_a_first_load_that_was_killed_can_be_made_again(empty_clinic):
    """What it left is a database without a table; the same files then load as if it was not there."""
    duckdb.connect(str(empty_clinic.store)).close()
    with pytest.raises(UserError, match="there is no store"):
        snapshot(empty_clinic.store)
    assert empty_clinic.register().held_count == 0
    assert len(snapshot(empty_clinic.store).probes) == 2
    assert check_store(empty_clinic.store) == []
