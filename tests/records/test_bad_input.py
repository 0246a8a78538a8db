"""Bad input gets a clear line and changes nothing; a bad row is held with its reason and the others are stored."""

from __future__ import annotations

import json
import shutil
from datetime import datetime

import pytest

from analytics.errors import UserError
from analytics.records.held import held
from analytics.records.load import load_files
from analytics.records.store import exists, revision

WHAT_COLUMNS = "Check the heading line, or use a column map (--map) that says what the columns are."
ADD_COLUMN = "Add the column, or use a column map (--map)."
BAD_CELLS = [
    ({"counts": "-1"}, "counts", "-1", "negative"),
    ({"counts": "12.5"}, "counts", "12.5", "fractional"),
    ({"counts": "NaN"}, "counts", "NaN", "not_finite"),
    ({"counts": "inf"}, "counts", "inf", "not_finite"),
    ({"counts": "-Infinity"}, "counts", "-Infinity", "not_finite"),
    ({"counts": "1e999"}, "counts", "1e999", "not_finite"),
    ({"counts": "1e16"}, "counts", "1e16", "out_of_range"),
    ({"counts": "many"}, "counts", "many", "not_a_number"),
    ({"counts": "1_000"}, "counts", "1_000", "not_a_number"),
    ({"counts": ""}, "counts", "", "missing_value"),
    ({"count_time_s": "0"}, "count_time_s", "0", "zero_time"),
    ({"count_time_s": "-10"}, "count_time_s", "-10", "negative"),
    ({"count_time_s": "nan"}, "count_time_s", "nan", "not_finite"),
    ({"count_time_s": ""}, "count_time_s", "", "missing_value"),
    ({"taken_at": "2024-06-01 12:01"}, "taken_at", "2024-06-01 12:01", "in_future"),
    ({"taken_at": "2024-06-02"}, "taken_at", "2024-06-02", "in_future"),
    ({"taken_at": "2024-06-01T12:30:00+00:15"}, "taken_at", "2024-06-01T12:30:00+00:15", "in_future"),
    ({"taken_at": "0024-05-01"}, "taken_at", "0024-05-01", "too_early"),
    ({"taken_at": "1.5.2024"}, "taken_at", "1.5.2024", "not_a_time"),
    ({"taken_at": "2024-02-30 08:00"}, "taken_at", "2024-02-30 08:00", "not_a_time"),
    ({"taken_at": "infinity"}, "taken_at", "infinity", "not_a_time"),
    ({"taken_at": "yesterday"}, "taken_at", "yesterday", "not_a_time"),
    ({"measurement": "sauce"}, "measurement", "sauce", "not_one_of"),
    ({"probe": ""}, "probe", "", "missing_value"),
    ({"probe": "GP-O01"}, "probe", "GP-O01", "unknown_probe"),
    ({"source": "CK-9"}, "source", "CK-9", "unknown_source"),
    ({"source": ""}, "source", "", "missing_value"),
    ({"source": "CK-2"}, "taken_at", "2024-05-01 08:00:00", "source_withdrawn"),
    ({"window": "Co57"}, "window", "Co57", "near_miss"),
    ({"window": "co-57"}, "window", "co-57", "near_miss"),
    ({"window": "Co-58"}, "window", "Co-58", "near_miss"),
    ({"probe": "P" * 300}, "probe", "P" * 200, "too_long"),
    ({"probe": "GP\x07001"}, "probe", "GP\x07001", "unreadable_text"),
]


@pytest.fixture(scope="module")
def loaded(tmp_path_factory, registered_store):
    """One log with every bad row of BAD_CELLS, each between two sound ones: the report, and the store."""
    folder = tmp_path_factory.mktemp("bad")
    sound = {
        "probe": "GP-001",
        "taken_at": "2024-05-01 08:00",
        "window": "Co-57",
        "measurement": "source",
        "counts": "12000",
        "count_time_s": "10",
        "source": "CK-1",
    }
    lines = [",".join(sound)]
    for i, (cells, *_) in enumerate(BAD_CELLS):
        lines += [
            ",".join((sound | {"taken_at": f"2024-04-01 08:{i:02d}"}).values()),
            ",".join((sound | cells).values()),
        ]
    shutil.copyfile(registered_store, folder / "store.duckdb")
    (folder / "log.csv").write_text("\n".join(lines), encoding="utf-8")
    return load_files(
        folder / "store.duckdb", [folder / "log.csv"], by="tester", now=datetime(2024, 6, 1, 12)
    ), folder / "store.duckdb"


@pytest.mark.parametrize(
    "case", range(len(BAD_CELLS)), ids=[f"{column} {value[:20]!r} {reason}" for _, column, value, reason in BAD_CELLS]
)
def test_a_row_that_cannot_be_right_is_held_with_column_value_and_reason(loaded, case):
    """The held row names its row number, column, value and reason code, and says what to do."""
    _, column, value, reason = BAD_CELLS[case]
    held_row = loaded[0].held[case]
    assert (held_row.row, held_row.column, held_row.value, held_row.reason) == (2 * case + 3, column, value, reason)
    assert held_row.hint.endswith((".", "?"))


def test_sound_rows_between_bad_ones_are_stored(loaded):
    """Half of the rows are held and listed, the other half is stored."""
    report, store = loaded
    assert (report.stored, report.held_count, report.rows) == (len(BAD_CELLS), len(BAD_CELLS), 2 * len(BAD_CELLS))
    assert sorted(held(store)["reason"]) == sorted(reason for *_, reason in BAD_CELLS)


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"", "the file is empty. Export it again with its heading line."),
        (b"\xef\xbb\xbf\r\n \n", "the file is empty. Export it again with its heading line."),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "this is a picture, not a table. Save the table as .xlsx, CSV or Parquet."),
        (b"probe,taken_at\0\0\0\1\2\3", "this is a binary file, not a table. Save the table as .xlsx, CSV or Parquet."),
        (b"%PDF-1.7 \n", "this is a PDF document, not a table. Save the table as .xlsx, CSV or Parquet."),
        (b"PK\x03\x04 not really a workbook", "the workbook is damaged. Save it again as .xlsx, or as CSV."),
        (b"PAR1 not really Parquet", "the Parquet file is damaged. Export it again."),
        (
            b"a,b,c\n1,2,3\n",
            "row 1: no known table has these columns: `a`, `b`, `c`. " + WHAT_COLUMNS,
        ),
        (
            b"probe,taken_at,window,measurement,counts,source\n",
            "row 1: column `count_time_s` missing (it was read as a table of readings). " + ADD_COLUMN,
        ),
        (
            b"probe,taken_at,window,measurement,count_time_s,source\n",
            "row 1: column `counts or rate_cps` missing (it was read as a table of readings). " + ADD_COLUMN,
        ),
        (
            b"probe,taken_at,window,measurement,counts,count_time_s,counts\n",
            "row 1: column headings stand twice: `counts` (cells 5 and 7). Rename or remove one of each pair.",
        ),
        (
            b"probe,site,foo,Foo\n",
            "row 1: column headings stand twice: `Foo` (cells 3 and 4). Rename or remove one of each pair.",
        ),
    ],
)
def test_a_file_that_cannot_be_understood_gets_one_clear_line_and_changes_nothing(clinic, content, line):
    """The line names the file and what to do; revision and store stay as they were, for the good file too."""
    before = revision(clinic.store)
    good = clinic.write("good.csv", "probe,site\nGP-003,North\n")
    bad = clinic.write("bad.csv", content)
    with pytest.raises(UserError) as error:
        clinic.load(good, bad)
    said = str(error.value)
    assert "\n" not in said
    assert said.startswith(f"{bad}")
    assert said.endswith(line)
    assert revision(clinic.store) == before


def test_all_files_that_cannot_be_understood_are_named_at_once(clinic):
    """Two bad files give one error that names both."""
    with pytest.raises(
        UserError, match=r"2 files cannot be read: .*one\.csv: the file is empty; .*two\.csv, row 1: no known table"
    ):
        clinic.load(clinic.write("one.csv", ""), clinic.write("two.csv", "a,b\n1,2\n"))


def test_a_missing_file_a_folder_and_no_file_at_all_are_told(clinic):
    """Each gets its own clear line."""
    with pytest.raises(UserError, match="there is no such file"):
        clinic.load(clinic.folder / "nowhere.csv")
    with pytest.raises(UserError, match="this is a folder"):
        clinic.load(clinic.folder)
    with pytest.raises(UserError, match="no file was named"):
        clinic.load()


def test_no_store_is_made_by_a_file_that_cannot_be_read(empty_clinic):
    """A first load that fails leaves no store behind."""
    with pytest.raises(UserError):
        empty_clinic.load(empty_clinic.write("bad.csv", "a,b\n1,2\n"))
    assert not exists(empty_clinic.store)


def test_a_source_used_before_its_reference_date_is_allowed(clinic, row):
    """Decay also runs backwards: the analysis flags it, loading does not hold it."""
    report = clinic.readings(row(taken_at="2022-12-01 08:00"))
    assert (report.stored, report.held_count) == (1, 0)


def test_a_source_may_be_used_until_the_end_of_the_day_it_is_withdrawn_on(clinic, row):
    """A date without a time is its whole day."""
    report = clinic.readings(
        row(source="CK-2", taken_at="2023-06-30 23:59"), row(source="CK-2", taken_at="2023-07-01 00:00")
    )
    assert [one.row for one in report.held] == [3]


def test_every_problem_of_a_row_is_said_at_once(clinic, row):
    """The first problem has the columns, the others stand in the hint."""
    (only,) = clinic.readings(row(counts="-4", count_time_s="0", taken_at="2030-01-01")).held
    assert only.column == "taken_at"
    assert only.hint.endswith(
        "Also: `counts`: the number is below zero; `count_time_s`: a counting needs a time above zero."
    )


def test_rows_with_too_many_or_too_few_cells_are_held_whole(clinic, row):
    """Nothing is guessed about where the cells belong; surplus empty cells at the end are no fault."""
    report = clinic.readings(row() + ",,", row(probe="GP-002") + ",surplus", "GP-002,2024-05-01")
    assert report.stored == 1
    assert [(one.row, one.reason) for one in report.held] == [(3, "too_many_cells"), (4, "too_few_cells")]
    assert report.held[1].value == "GP-002,2024-05-01"


def test_blank_lines_are_no_rows_but_keep_the_row_numbers_right(clinic, row):
    """Row numbers are those a spreadsheet shows; rows of nothing but separators at the end are no rows either."""
    report = clinic.readings(
        "", row(), "", row(counts="x", probe="GP-002"), ",,,,,,", row(probe="GP-002"), ",,,,,,", ",,,,,,"
    )
    assert (report.rows, report.stored) == (4, 2)
    assert [(one.row, one.reason) for one in report.held] == [(5, "not_a_number"), (6, "empty_row")]


def test_a_quote_that_is_never_closed_swallows_no_rows(clinic, row):
    """The line with the stray quote is held, all others are stored, and every row is accounted for."""
    lines = [row(taken_at=f"2024-05-{day:02d} 08:00") for day in range(1, 11)]
    lines[3] = '"' + lines[3]
    report = clinic.readings(*lines)
    assert (report.rows, report.stored) == (10, 9)
    assert [one.row for one in report.held] == [5]


def test_a_note_over_two_lines_is_one_row(clinic, row):
    """A quoted line end inside a cell is part of the text."""
    report = clinic.readings(
        row() + ',"first\nsecond"', row(probe="GP-002") + ',"said ""ok"""', head=clinic.head.strip() + ",note\n"
    )
    assert (report.rows, report.stored) == (2, 2)


def test_nothing_of_a_held_list_breaks_json(clinic, row):
    """The report is one JSON document in the contract's shape, whatever stands in the cells."""
    report = clinic.readings(row(probe='G"P\\1'), row(counts="nan"))
    document = json.loads(json.dumps(report.as_json(), allow_nan=False))
    assert set(document) == {"load", "files", "held"}
    assert set(document["files"][0]) == {"file", "rows", "stored", "already_there", "held"}
    assert [set(one) for one in document["held"]] == [{"file", "row", "column", "value", "reason", "hint"}] * 2
