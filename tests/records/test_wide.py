"""Wide sheets, near-miss ids, split dates, decimal commas and spreadsheets' own calendars, as they come from sites."""

from __future__ import annotations

from datetime import datetime

import pytest

from analytics.errors import UserError
from analytics.records.check_store import check_store
from analytics.records.column_map import ColumnMap
from analytics.records.guess import guess
from analytics.records.held import held, release_held
from analytics.records.reader import snapshot

WIDE = """Serial no.;Day;Time;BG;Source counts;Below;Above;Check source;Remark
GP-001;03.05.2024;08:15;31;12.004;9.100;9.050;CK-1;
GP-002;14.05.2024;08:30;29;11.870;;;CK-1;new cable
GP-001;15.05.2024;08:20;30;12,5;9.100;x;CK-1;
"""
MAP = """
kind = "readings"
date_order = "day_first"
decimal = ","
thousands = "."
[columns]
probe = "Serial no."
taken_at = ["Day", "Time"]
source = "Check source"
[constants]
window = "Co-57"
count_time_s = "10"
[wide.background]
counts = "BG"
count_time_s = 60
[wide.source]
counts = "Source counts"
[wide.window_below]
counts = "Below"
[wide.window_above]
counts = "Above"
"""


@pytest.fixture
def wide(clinic):
    """The sheet loaded with its map."""
    return clinic.load(clinic.write("log.csv", WIDE), column_map=str(clinic.write("wide.toml", MAP)))


def test_a_wide_sheet_is_read_column_by_column(clinic, wide):
    """One count each, under the row numbers of the sheet; a blank cell is no row; each column adds up."""
    assert [(one.file.rpartition(":")[2], one.rows, one.stored, one.held) for one in wide.files] == [
        ("BG", 3, 3, 0),
        ("Source counts", 3, 2, 1),
        ("Below", 2, 2, 0),
        ("Above", 2, 1, 1),
    ]
    assert [(one.row, one.value) for one in wide.held] == [(4, "12,5"), (4, "x")]
    readings = snapshot(clinic.store).readings
    first = readings[(readings["probe"] == "GP-001") & (readings["taken_at"] == datetime(2024, 5, 3, 8, 15))]
    assert dict(zip(first["measurement"], first["counts"], strict=True)) == {
        "background": 31,
        "source": 12004,
        "window_below": 9100,
        "window_above": 9050,
    }
    assert dict(zip(first["measurement"], first["count_time_s"], strict=True))["background"] == 60
    assert first.set_index("measurement")["source"].isna().to_dict()["background"]
    assert check_store(clinic.store) == []


def test_a_wide_sheet_twice_adds_nothing_and_its_held_rows_are_mended(clinic, wide):
    """Two held cells of one line of the sheet are two held rows, and each is released alone."""
    again = clinic.load(clinic.folder / "log.csv", column_map=str(clinic.folder / "wide.toml"))
    assert (again.stored, again.already_there, again.load) == (0, 8, None)
    waiting = held(clinic.store)
    assert waiting["row"].tolist() == [4, 4]
    number = int(waiting["held_id"].iloc[0])
    assert release_held(clinic.store, [number], by="t", fixes={number: {"counts": "12500"}}, now=clinic.now).stored == 1
    newest = snapshot(clinic.store).readings.query("counts == 12500").iloc[0]
    assert (newest["measurement"], str(newest["taken_at"])) == ("source", "2024-05-15 08:20:00")


def test_a_wide_sheet_and_a_split_time_are_guessed(clinic):
    """Headings that name measurements become columns of their own; day and time are joined; the map survives TOML."""
    rows = [line.split(";") for line in WIDE.splitlines()]
    found = guess(rows[0], rows[1:])
    assert found.kind == "readings"
    assert {name: one["counts"] for name, one in found.wide.items()} == {
        "background": "BG",
        "source": "Source counts",
        "window_below": "Below",
        "window_above": "Above",
    }
    assert (found.columns["taken_at"], found.columns["source"]) == (("Day", "Time"), ("Check source",))
    assert found.date_order == "day_first"
    assert ColumnMap.from_toml(found.to_toml()) == found
    assert ColumnMap.from_toml(MAP).wide["background"]["count_time_s"] == 60


@pytest.mark.parametrize("day", ["Day", "Tag", "Date", "Datum"])
def test_two_headings_of_a_moment_are_joined(day):
    """Whatever the first is called; and a lone `Time` is not taken for two."""
    assert guess(["probe", day, "Time", "counts", "count_time_s"]).columns["taken_at"] == (day, "Time")


def test_ids_of_sources_are_not_taken_for_counts():
    """A long sheet with a column `source` beside `background` is no wide one."""
    assert guess(["probe", "taken_at", "window", "measurement", "counts", "count_time_s", "source"]).wide == {}


@pytest.mark.parametrize(
    ("section", "line"),
    [
        ("[wide.praise]\ncounts='x'", "`praise` is none of"),
        ("[wide.source]\nsource='x'", r"\[wide.source\] must say which heading"),
        ("[wide.source]\ncounts='x'\nweather='y'", "`weather` is no column of readings"),
        ("[wide.source]\ncounts=true", "must be a heading, or a number"),
        ("wide = 3", "must be a section"),
    ],
)
def test_a_wide_map_with_mistakes_is_refused(section, line):
    """With the section and the name that is wrong."""
    with pytest.raises(UserError, match=line):
        ColumnMap.from_toml(section)


def test_a_wide_map_for_another_sheet_is_told(clinic):
    """None of its measurements is there: one line with the headings of the file."""
    with pytest.raises(UserError, match="none of the column map's measurements is in the file: BG"):
        clinic.load(clinic.write("o.csv", "a;b\n1;2\n"), column_map=str(clinic.write("wide.toml", MAP)))
