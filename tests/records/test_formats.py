"""Files as they come: encodings, separators, workbooks, Parquet; what they are is told from their bytes."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from analytics.errors import UserError
from analytics.records.people import find_readings
from analytics.records.reader import snapshot

FIXTURES = Path(__file__).parent.parent / "fixtures" / "records"
ROWS = [
    ("GP-001", "2024-05-01 08:00", "Co-57", "source", 12000, 10, "CK-1", "Anna Öhm, µ"),
    ("GP-002", "2024-05-01 08:05", "Co-57", "source", 11900, 10, "CK-1", ""),
]
COLUMNS = ["probe", "taken_at", "window", "measurement", "counts", "count_time_s", "source", "operator"]


def text(separator: str, end: str = "\n") -> str:
    """The rows as CSV; the operator is quoted."""
    lines = [separator.join(COLUMNS)] + [separator.join([*map(str, one[:-1]), f'"{one[-1]}"']) for one in ROWS]
    return end.join(lines) + end


@pytest.mark.parametrize(
    ("separator", "encoding", "end"),
    [
        (",", "utf-8", "\n"),
        (",", "utf-8-sig", "\r\n"),
        (";", "cp1252", "\r\n"),
        ("\t", "utf-8", "\n"),
        (";", "utf-8-sig", "\n"),
        ("\t", "utf-16", "\r\n"),
        (",", "utf-8", "\r"),
        (";", "cp1252", "\n"),
    ],
)
def test_separator_encoding_and_line_ends_are_told_from_the_file(clinic, separator, encoding, end):
    """Comma, semicolon or tab; UTF-8 with or without mark, Windows-1252, UTF-16; all three kinds of line ends."""
    report = clinic.load(clinic.write("log.txt", text(separator, end).encode(encoding)))
    assert (report.stored, report.held_count) == (2, 0)
    assert find_readings(clinic.store)["operator"].tolist()[0] == "Anna Öhm, µ"


def test_a_separator_line_of_a_spreadsheet_is_understood(clinic):
    """``sep=;`` above the heading; row numbers still count it."""
    body = text(";").replace("11900", "-1")
    report = clinic.load(clinic.write("log.csv", "sep=;\n" + body))
    assert (report.stored, [one.row for one in report.held]) == (1, [4])


def test_damaged_utf8_holds_the_damaged_row_only(clinic):
    """One broken byte in a file that otherwise is UTF-8 is not read as another encoding."""
    content = (text(",") + 'GP-001,2024-05-02,Co-57,source,5,10,CK-1,"Öhm"\n').encode()
    report = clinic.load(clinic.write("log.csv", content + b'GP-001,2024-05-03,Co-57,source,5,10,CK-1,"\xd6hm"\n'))
    assert (report.stored, [one.reason for one in report.held]) == (3, ["unreadable_text"])


def test_a_workbook_is_one_table_a_sheet(clinic):
    """Real dates, text ids with leading zeros, blank rows, an empty sheet; sheets are named in the report."""
    book = openpyxl.Workbook()
    probes = book.active
    probes.title = "Probes"
    for one in (["probe", "site"], ["007", "North"]):
        probes.append(one)
    log = book.create_sheet("Log")
    log.append(COLUMNS)
    log.append(["007", datetime(2024, 5, 1, 8, 0, 30), "Co-57", "source", 12000, 10.5, "CK-1", None])
    log.append([])
    log.append(["007", datetime(2024, 5, 2), "Co-57", "source", 1.5, 10, "CK-1", None])
    book.create_sheet("Empty")
    book.save(clinic.folder / "book.xlsx")
    report = clinic.load(clinic.folder / "book.xlsx")
    assert [(Path(one.file).name, one.kind, one.rows, one.stored) for one in report.files] == [
        ("book.xlsx:Probes", "probes", 1, 1),
        ("book.xlsx:Log", "readings", 2, 1),
    ]
    assert [(one.row, one.value) for one in report.held] == [(4, "1.5")]
    reading = snapshot(clinic.store).readings.iloc[0]
    assert (reading["probe"], reading["taken_at"], reading["count_time_s"]) == (
        "007",
        pd.Timestamp("2024-05-01 08:00:30"),
        10.5,
    )


def test_dates_of_the_1904_calendar_are_right(clinic):
    """Workbooks of another calendar carry a mark that is heeded."""
    book = openpyxl.Workbook()
    book.epoch = CALENDAR_MAC_1904
    book.active.append(COLUMNS)
    book.active.append(["GP-001", datetime(2024, 5, 1, 8, 0), *ROWS[0][2:]])
    book.save(clinic.folder / "old.xlsx")
    clinic.load(clinic.folder / "old.xlsx")
    assert snapshot(clinic.store).readings["taken_at"].tolist() == [pd.Timestamp("2024-05-01 08:00")]


def test_parquet_loads_with_its_types_and_its_blanks(clinic):
    """Timestamps, categories and missing numbers; the first row is row 2, as under a heading."""
    frame = pd.DataFrame(ROWS, columns=COLUMNS).assign(
        taken_at=lambda one: pd.to_datetime(one["taken_at"]),
        probe=lambda one: one["probe"].astype("category"),
        temperature_c=[21.5, None],
        counts=[12000, -5],
    )
    frame.to_parquet(clinic.folder / "log.parquet")
    report = clinic.load(clinic.folder / "log.parquet")
    assert (report.stored, [one.row for one in report.held]) == (1, [3])
    assert snapshot(clinic.store).readings["temperature_c"].tolist() == [21.5]


def test_parquet_times_with_a_zone_become_local_time(clinic):
    """08:00 UTC is 08:00 in a store whose site is on UTC."""
    frame = pd.DataFrame(ROWS[:1], columns=COLUMNS)
    frame["taken_at"] = pd.to_datetime(frame["taken_at"]).dt.tz_localize("Europe/Vienna")
    frame.to_parquet(clinic.folder / "log.parquet")
    clinic.load(clinic.folder / "log.parquet")
    assert snapshot(clinic.store).readings["taken_at"].tolist() == [pd.Timestamp("2024-05-01 06:00")]


def test_a_parquet_column_that_is_no_plain_value_is_refused(clinic):
    """Lists and bytes are named with their column."""
    pd.DataFrame({"probe": [["a", "b"]], "site": ["x"]}).to_parquet(clinic.folder / "odd.parquet")
    with pytest.raises(UserError, match=r"column `probe` holds list.* not plain values"):
        clinic.load(clinic.folder / "odd.parquet")


def test_rates_of_a_workbook_share_the_finest_step_of_their_column(clinic):
    """A spreadsheet drops last zeros: 231 beside 230.5 was shown as 231.0."""
    book = openpyxl.Workbook()
    book.active.append(["probe", "taken_at", "window", "measurement", "rate_cps", "count_time_s", "source"])
    for day, rate in ((1, 231), (2, 230.5)):
        book.active.append(["GP-001", datetime(2024, 5, day), "Co-57", "source", rate, 10, "CK-1"])
    book.save(clinic.folder / "rates.xlsx")
    clinic.load(clinic.folder / "rates.xlsx")
    assert snapshot(clinic.store).readings["rate_step_cps"].round(9).tolist() == [0.1, 0.1]


def test_an_absurd_workbook_is_refused_before_it_is_unpacked(clinic):
    """A small file that says it holds 100 MB of zeros."""
    import zipfile

    with zipfile.ZipFile(clinic.folder / "bomb.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b"<x/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * (100 << 20))
    with pytest.raises(UserError, match="would unpack to an absurd size"):
        clinic.load(clinic.folder / "bomb.xlsx")


@pytest.mark.parametrize("name", sorted(path.name for path in FIXTURES.glob("*.csv")))
def test_messy_files_of_the_collection_lose_no_row(clinic, name):
    """Each hand-made file says in its last column what becomes of each row: stored, held, or there."""
    _, *lines = [
        one for one in (FIXTURES / name).read_bytes().decode("utf-8-sig", "replace").splitlines() if one.strip()
    ]
    fates = [one.replace("\t", ";").replace(",", ";").rsplit(";", 1)[-1].strip('" ') for one in lines]
    map_file = FIXTURES / name.replace(".csv", ".toml")
    report = clinic.load(FIXTURES / name, column_map=str(map_file) if map_file.exists() else None)
    assert (report.stored, report.already_there, report.held_count) == (
        fates.count("stored"),
        fates.count("there"),
        fates.count("held"),
    )


@pytest.mark.parametrize(
    ("content", "encoding", "damaged"),
    [
        ("é".encode() * 9 + b"\xff", "utf-8", True),
        ("�".encode() * 9, "utf-8", False),
        (b"\xe9t\xe9", "cp1252", False),
        (b"\xef\xbb\xbf\xff\xff", "utf-8", True),
        ("é".encode()[:1], "cp1252", False),
        (b"plain", "utf-8", False),
    ],
)
def test_the_encoding_is_told_from_all_of_the_file(clinic, monkeypatch, content, encoding, damaged):
    """Also where a character lies across two pieces of the file."""
    from analytics.records.intake import csv_text

    for size in (1, 2, 3, 1 << 20):
        monkeypatch.setattr(csv_text, "BLOCK_BYTES", size)
        facts = csv_text.read_facts(clinic.write("x.csv", content))
        assert (facts.encoding, facts.damaged) == (encoding, damaged), size
