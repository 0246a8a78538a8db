"""The report as PDF, workbook, table and picture, on texts that try to be markup or formulas."""

from __future__ import annotations

import csv
import io
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import date, datetime, timedelta

import openpyxl
import pandas as pd
import pytest
import typst

from analytics.answer import as_json
from analytics.errors import UserError
from analytics.fleet import assess
from analytics.records.load import load_files
from analytics.records.papers import papers
from analytics.records.snapshot import EVENTS, Records
from analytics.settings import load
from dashboard.report import pdf as printing
from dashboard.report import tables
from dashboard.report.book import workbook
from dashboard.report.cells import printed
from dashboard.report.content import report
from dashboard.report.flat import comma_separated
from dashboard.report.gathered import Scope, gather, period
from dashboard.report.looking_back import look_back_report
from dashboard.report.model import Chart, Column, Report, Section
from dashboard.report.write import rendered
from tests.report import hostile


@pytest.fixture(scope="module")
def fleet() -> Report:
    """The report on the whole fleet."""
    return report(hostile.gathered())


@pytest.fixture(scope="module")
def paper(fleet) -> bytes:
    """The same as PDF."""
    return printing.pdf(fleet)


@pytest.fixture(scope="module")
def back() -> Report:
    """The look back on the probe that fell."""
    return look_back_report(hostile.gathered(Scope(probe=hostile.FALLING)))


def test_the_pdf_is_tagged_and_declares_what_it_conforms_to(paper):
    """Set under PDF/UA-1, which refuses what does not conform: the file says so, has a title, a language and a structure."""
    assert paper.startswith(b"%PDF-")
    assert b"pdfuaid:part" in paper
    assert b"Constancy of surgical gamma probes" in paper


def test_a_picture_without_words_is_refused(fleet):
    """The check is one that can fail: the same document with a picture that has no description is not made."""
    data = printing.content(fleet)
    for section in data["sections"]:
        for chart in section["charts"]:
            chart["alt"] = None
    plain = printing.mapped(data, lambda text: text.encode("ascii", "replace").decode())
    with pytest.raises(typst.TypstError, match="alt"):
        printing.compiled(printing.TEMPLATE.read_bytes(), plain)


def test_texts_are_never_read_as_markup(fleet):
    """A heading full of markup stands in the document letter for letter."""
    odd = replace(fleet, sections=(Section(hostile.MARKUP, (hostile.MARKUP,)),))
    inputs = {"data": json.dumps(printing.content(odd))}
    found = typst.query(printing.TEMPLATE.read_bytes(), "heading", sys_inputs=inputs, ignore_system_fonts=True)
    assert json.loads(found)[0]["body"]["text"] == hostile.MARKUP


def test_what_no_font_has_is_written_as_its_number(fleet, paper):
    """An emoji in an id would make the file one that cannot be read aloud; it stands as its number, and that is said."""
    assert b"%%EOF" in paper
    missing, _ = printing.unprintable(frozenset(chr(0x10FFFF)))
    assert missing == {chr(0x10FFFF)}
    assert printing.unprintable(frozenset("גa°≤")) == (frozenset(), True)
    assert printing.in_numbers("x" + chr(0x1F600), frozenset(chr(0x1F600))) == "x⟨U+1F600⟩"


def test_everything_that_was_asked_for_stands_in_it(fleet):
    """Revision, settings, version, time, person and the head of the history are on it, with what that head is worth."""
    said = dict(fleet.facts)
    given = hostile.gathered()
    assert said["Data revision"] == str(given.papers.records.revision)
    assert said["Settings in force (sha256)"] == given.assessment.config
    assert said["Head of the history (sha256)"] == given.papers.head
    assert hostile.BY in said["Made"]
    titles = [one.title for one in fleet.sections]
    for wanted in ("Summary", "What changed", "Every probe", "Alerts", "Decisions", "Readings excluded by a person",
                   "Values corrected", "Settings in force", "Check sources, jigs and control units"):  # fmt: skip
        assert wanted in titles
    printed = json.dumps(printing.content(fleet), ensure_ascii=False)
    assert "rebuild the whole chain" in printed
    assert "licensed medical physicist and local rules decide" in printed
    assert "sealed radioactive source" in printed


def test_who_saw_an_alert_and_who_hid_a_reading_stands_beside_it(fleet):
    """The decision and the exclusion of the store are in the tables, with the person and the reason."""
    by_key = {one.key: one for one in fleet.tables}
    decisions, hidden = by_key["Decisions"], by_key["Exclusions"]
    assert [row[decisions.column("by")] for row in decisions.rows] == [hostile.BY]
    assert [row[hidden.column("reason")] for row in hidden.rows] == [hostile.MARKUP]


def rows_of_csv(made: Report) -> list[dict[str, str]]:
    """The rows of the table, as a reader of CSV sees them."""
    return list(csv.DictReader(io.StringIO(comma_separated(made).decode("utf-8-sig"))))


def test_the_numbers_are_those_of_assess(fleet):
    """Every number of every series in the CSV is the one that ``assess --json`` gives, to the last digit."""
    answer = as_json(hostile.gathered().assessment)
    rows = {(one["probe"].removeprefix("'"), one["window"], one["quantity"]): one for one in rows_of_csv(fleet)}
    assert len(rows) == len(answer["series"])
    for s in answer["series"]:
        row = rows[s["probe"], s["window"], s["quantity"]]
        crossing = s["crossing"] or {"limit_pct": None, "p05": None, "p50": None, "p95": None, "probability_within_days": {}}
        low, high = s["current_interval"] or (None, None)
        expected = {
            "current": s["current"], "current_low": low, "current_high": high, "current_pct": s["current_pct"],
            "drift_per_year": s["drift_per_year"], "drift_pct_per_year": s["drift_pct_per_year"],
            "reference": s["reference"] and s["reference"]["value"], "crossing_limit_pct": crossing["limit_pct"],
            "crossing_within_365_days": crossing["probability_within_days"].get("365"),
        }  # fmt: skip
        for name, value in expected.items():
            assert (float(row[name]) if row[name] else None) == value, (s["probe"], name)
        assert (row["crossing_p05"] or None, row["crossing_p95"] or None) == (crossing["p05"], crossing["p95"])
    for p in answer["probes"]:
        row = next(one for one in rows_of_csv(fleet) if one["probe"].removeprefix("'") == p["probe"])
        assert (row["advice"], row["patient_use"], row["cause"]) == (p["advice"], p["patient_use"], p["cause"])
        assert row["reasons"] == " ".join(p["reasons"])


def test_no_cell_of_the_csv_begins_a_formula(fleet):
    """Texts that begin with =, +, - or @ carry an apostrophe; numbers are left as they are."""
    text = comma_separated(fleet).decode("utf-8-sig")
    for row in csv.reader(io.StringIO(text)):
        for cell in row:
            assert not re.match(r"[=+@\t\r]|-(?!\d)", cell), cell
    assert any(one["probe"] == f"'{hostile.FORMULA}" for one in rows_of_csv(fleet))


def test_the_workbook_holds_texts_and_no_formula(fleet):
    """No cell of any sheet is a formula; ids stand letter for letter; a percentage is a number."""
    book = openpyxl.load_workbook(io.BytesIO(workbook(fleet)))
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert "f" not in kinds
    sheet = book["Probes"]
    heads = [cell.value for cell in sheet[1]]
    ids = {row[heads.index("probe")].value for row in sheet.iter_rows(min_row=2)}
    assert ids == set(hostile.PROBES)
    assert all(isinstance(row[heads.index("current_pct")].value, float) for row in sheet.iter_rows(min_row=2))
    assert {"Summary", "Probes", "Series", "Alerts", "Decisions", "Exclusions", "Corrections", "Settings"} <= set(book.sheetnames)


def test_the_picture_is_sound_xml_and_the_same_each_time(fleet):
    """Every chart parses as XML, names what it shows, and comes out byte for byte again."""
    again = report(hostile.gathered())
    assert [one.svg for one in again.charts] == [one.svg for one in fleet.charts]
    for one in fleet.charts:
        root = ET.fromstring(one.svg)  # noqa: S314 - our own text
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert root.get("aria-label")
        assert one.alt
    assert rendered(fleet, ".png").startswith(b"\x89PNG")


def test_an_alert_that_was_shown_and_taken_back_is_told():
    """The log of shown alerts is held against the answer: what a change took back stands in a table, with who did it."""
    given = hostile.gathered()
    row = {"shown_at": hostile.AS_OF, "subject": hostile.FALLING, "rule": "cusum", "signalled_at": hostile.AS_OF,
           "detail": hostile.MARKUP, "withdrawn": "reading excluded by A. Lind: slip"}  # fmt: skip
    log = pd.DataFrame([row, {**row, "withdrawn": None}])
    table = next(one for one in report(replace(given, shown=log)).tables if one.key == "Taken back")
    assert [one[table.column("withdrawn")] for one in table.rows] == ["reading excluded by A. Lind: slip"]
    untold = next(one for one in report(given).tables if one.key == "Taken back")
    assert "this run only" in untold.empty


def test_leak_tests_and_what_is_due_besides_countings_are_printed_and_all_is_in_the_workbook(tmp_path):
    """A failed visual inspection and a leak test in date are printed; one of a probe that is in date is in the workbook alone."""
    day = hostile.AS_OF - timedelta(days=3)
    files = {
        "probes.csv": "probe,site\nGP-1,North\nGP-2,North\n",
        "sources.csv": "source,nuclide,reference_at,site\nCK-1,Co-57,2024-01-01,North\n",
        "inspections.csv": "probe,source,done_at,kind,result,person\n"
         f"GP-1,,{day:%Y-%m-%dT%H:%M},visual,fail,A. Lind\nGP-2,,{day:%Y-%m-%dT%H:%M},visual,pass,A. Lind\n"
         f",CK-1,{day:%Y-%m-%dT%H:%M},leak_test,pass,B. Moor\n",
    }
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    load_files(tmp_path / "s.duckdb", [tmp_path / name for name in files], by="A. Lind", create=True)
    told = papers(tmp_path / "s.duckdb")
    settings = load({"schedule": {"inspection_days_by_kind": {"visual": 30}, "leak_test_days": 182}})
    answer = assess(told.records, settings, hostile.AS_OF)
    given = gather(told, settings, lambda _: answer, period(hostile.AS_OF, None, None, None), Scope(), by="A. Lind", made_at=hostile.AS_OF)
    made = report(given)
    by_key = {one.key: one for one in made.tables}
    due, every, done = by_key["Checks due"], by_key["Other checks"], by_key["Other checks done"]
    assert [(row[0], row[due.column("subject")]) for row in due.rows] == [("✖ failed", "GP-1"), ("● in date", "CK-1")]
    assert due.printed
    assert {row[every.column("subject")] for row in every.rows} == {"GP-1", "GP-2", "CK-1"}
    assert {row[done.column("person")] for row in done.rows} == {"A. Lind", "B. Moor"}
    assert not every.printed
    assert printing.pdf(made).startswith(b"%PDF-")


def test_print_says_what_the_pages_say_and_the_table_what_the_answer_says(fleet):
    """Days, causes and advice in printed sentences are the pages' words; a drift has one decimal and its sign."""
    said = Column("why", "Because", "said")
    assert printed(said, "Since 2024-03-09. Likely cause: efficiency loss (probability 81 %). Set to `service`.") == (
        "Since 9 Mar 2024. Likely cause: loss of efficiency (probability 81 %). Set to pull in."
    )
    assert printed(Column("drift_pct_per_year", "Drift", "change"), -0.0023) == "0.0"
    why = next(one for one in fleet.tables if one.key == "Why")
    text = json.dumps(printing.content(fleet), ensure_ascii=False)
    iso = re.compile(r"about \d{4}-\d\d-\d\d")
    assert any(iso.search(str(row[why.column("why")])) for row in why.rows)
    assert not iso.search(text)


def test_nothing_of_a_withdrawn_probe_is_overdue():
    """A probe that was taken out of use is not asked for checks, and stands in no list of overdue ones; it did before that day."""
    given = hostile.gathered()
    late = replace(given, assessment=replace(given.assessment, as_of=hostile.AS_OF + timedelta(days=400)))
    assert hostile.EMOJI in tables.overdue_of(late)
    events = pd.DataFrame([{"probe": hostile.EMOJI, "happened_at": pd.Timestamp(hostile.AS_OF), "kind": "withdrawn", "event_id": 1}])
    records = replace(given.papers.records, events=Records.table(EVENTS, events.to_dict("list")))
    gone = replace(late, papers=replace(given.papers, records=records))
    assert hostile.EMOJI not in tables.overdue_of(gone)
    assert hostile.LONG in tables.overdue_of(gone)


def test_the_decision_table_is_printed_in_words(fleet):
    """Each row says its advice and its conditions as the Settings page does; how it is written stands in the workbook."""
    table = next(one for one in fleet.tables if one.key == "decision.rows")
    first = dict(zip([one.name for one in table.columns], table.rows[0], strict=True))
    assert first == {"row": "a check is overdue", "then": "undetermined", "if": "a check is overdue", "as_set": "overdue: yes"}
    assert "as_set" not in table.printed


def test_a_site_and_a_probe_are_told_apart_from_the_fleet():
    """A report on a site holds its probes alone, one on a probe that one alone; a site that is not there is named."""
    site = report(hostile.gathered(Scope(site=hostile.OTHER_SITE)))
    table = next(one for one in site.tables if one.key == "Probes")
    assert {row[table.column("probe")] for row in table.rows} == set(hostile.PROBES[::2])
    one = report(hostile.gathered(Scope(probe=hostile.LONG)))
    assert {row[0] for row in one.flat.rows} == {hostile.LONG}
    assert printing.pdf(one).startswith(b"%PDF-")
    with pytest.raises(UserError, match="there is no site"):
        hostile.gathered(Scope(site="nowhere"))


def test_the_look_back_holds_its_uses_in_every_form(back):
    """The probe that fell 6 per mille a week was found out; the uses since the last good check stand in PDF, XLSX and CSV."""
    uses = next(one for one in back.tables if one.key == "Uses in doubt")
    assert len(uses.rows) >= 1
    assert printing.pdf(back).startswith(b"%PDF-")
    rows = rows_of_csv(back)
    assert len(rows) == len(uses.rows)
    assert all(one["case_reference"].startswith("'=") for one in rows)
    book = openpyxl.load_workbook(io.BytesIO(workbook(back)))
    assert book["Uses in doubt"].max_row == len(uses.rows) + 1
    low, middle, high = (float(rows[-1][name]) for name in ("likely_low_pct", "likely_pct", "likely_high_pct"))
    assert low < middle < high < 95


def test_a_probe_never_out_gets_a_document_that_says_so():
    """No finding is a finding: the document is made and says it."""
    made = look_back_report(hostile.gathered(Scope(probe=hostile.EMOJI)))
    assert "Never found beyond the tolerance" in made.sections[0].sentences[0]
    assert printing.pdf(made).startswith(b"%PDF-")
    assert len(rows_of_csv(made)) == 1


def test_a_period_that_makes_no_sense_is_refused():
    """Reversed, or ending after the moment of the answer."""
    now = datetime(2024, 5, 1, 9)
    with pytest.raises(UserError, match="before it begins"):
        period(now, date(2024, 4, 2), date(2024, 4, 1), None)
    with pytest.raises(UserError, match="after the moment"):
        period(now, None, date(2024, 4, 2), datetime(2024, 4, 1))


def test_an_empty_picture_is_refused_in_words():
    """Without a picture .svg has nothing to hold."""
    nothing = Report("t", "s", hostile.AS_OF, "b", hostile.AS_OF, (), (), (), None, "")
    with pytest.raises(UserError, match="nothing to draw"):
        rendered(nothing, ".svg")
    one = replace(nothing, sections=(Section("x", charts=(Chart("n", "<svg/>", "alt"),)),))
    assert rendered(one, ".svg") == b"<svg/>"
