"""``steadycount report``: the file by its ending, whole or not at all, and the look back."""

from __future__ import annotations

import csv
import io

import openpyxl
import pytest

from tests.commands.cli import document, run, said_in_one_line
from tests.commands.conftest import DRIFTING, LAST

DAY = f"{LAST:%Y-%m-%d}"


@pytest.fixture(scope="module")
def made(loaded, tmp_path_factory):
    """One report in two forms: the CSV and the PDF of the whole fleet at the end of the log."""
    folder = tmp_path_factory.mktemp("report")
    for form in ("csv", "pdf"):
        result = run("report", "--out", folder / f"fleet.{form}", "--as-of", DAY, "--by", "=A. Tester", "--store", loaded)
        assert result.exit_code == 0, result.stderr
        assert result.stdout == ""
        assert "The whole fleet" in result.stderr
    return folder


def test_the_table_says_what_assess_says(made, loaded):
    """Advice and numbers of each probe are those of the command ``assess`` at the same moment."""
    answer = document(run("assess", "--json", "--as-of", DAY, "--store", loaded))
    rows = list(csv.DictReader(io.StringIO((made / "fleet.csv").read_text(encoding="utf-8-sig"))))
    response = {one["probe"]: one for one in rows if one["quantity"] == "response"}
    for series in answer["series"]:
        if series["quantity"] == "response":
            row = response[series["probe"]]
            assert float(row["current_pct"]) == series["current_pct"]
            assert (float(row["current_low"]), float(row["current_high"])) == tuple(series["current_interval"])
    assert {one["probe"]: one["advice"] for one in rows} == {one["probe"]: one["advice"] for one in answer["probes"]}
    assert {one["config"] for one in rows} == {answer["config"]}
    assert {one["by"] for one in rows} == {"'=A. Tester"}


def test_the_pdf_is_one(made):
    """The PDF is tagged and whole, and nothing else is left in the folder."""
    content = (made / "fleet.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    assert b"pdfuaid:part" in content
    assert content.rstrip().endswith(b"%%EOF")
    assert sorted(one.name for one in made.iterdir()) == ["fleet.csv", "fleet.pdf"]


def test_the_look_back_on_the_drifting_probe(loaded, tmp_path):
    """The probe that loses 12 % a year was found out: the document has the doubt and says that no uses are recorded."""
    out = tmp_path / "doubt.xlsx"
    result = run("report", "--out", out, "--look-back", "--probe", DRIFTING, "--as-of", DAY, "--store", loaded)
    assert result.exit_code == 0, result.stderr
    assert "Found beyond the tolerance of 10 %" in result.stderr
    book = openpyxl.load_workbook(out)
    assert "No uses recorded for this probe" in str(book["Uses in doubt"]["A2"].value)
    likely = [[cell.value for cell in row] for row in book["Likely response"].iter_rows(min_row=2)]
    assert all(low <= middle <= high for _, middle, low, high, _ in likely)


def test_a_sound_probe_gets_a_document_that_says_so(loaded, tmp_path):
    """Never out of tolerance is an answer: exit 0, and a file."""
    out = tmp_path / "sound.csv"
    result = run("report", "--out", out, "--look-back", "--probe", "GP-001", "--as-of", DAY, "--store", loaded)
    assert result.exit_code == 0
    assert "Never found beyond" in result.stderr
    assert "Never found beyond" in out.read_text(encoding="utf-8-sig")


def test_a_picture_alone(loaded, tmp_path):
    """.svg gives the response of the probe."""
    out = tmp_path / "one.svg"
    assert run("report", "--out", out, "--probe", DRIFTING, "--as-of", DAY, "--store", loaded).exit_code == 0
    assert out.read_text(encoding="utf-8").startswith("<svg ")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--out", "x.docx"], "cannot be written as `.docx`"),
        (["--out", "x"], "cannot be written as `x`"),
        (["--out", "nowhere/x.pdf"], "there is no such folder"),
        (["--out", "x.pdf", "--look-back"], "Name it with --probe"),
        (["--out", "x.pdf", "--probe", "GP-1"], "there is no probe `GP-1`"),
        (["--out", "x.pdf", "--site", "north"], "there is no site `north`"),
        (["--out", "x.pdf", "--site", "North", "--probe", "GP-001"], "Leave one of the two out"),
        (["--out", "x.pdf", "--from", "2024-03-02", "--to", "2024-03-01"], "before it begins"),
        (["--out", "x.pdf", "--from", "1.3.2024"], "--from"),
        (["--out", "x.pdf", "--as-of", "2024-01-01", "--to", "2024-02-01"], "after the moment"),
    ],
)
def test_what_is_not_understood_is_said_and_nothing_is_written(arguments, said, loaded, tmp_path, monkeypatch):
    """One line, exit 2, no file."""
    monkeypatch.chdir(tmp_path)
    assert said in said_in_one_line(run("report", *arguments, "--store", loaded))
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_stays_unless_told_otherwise(loaded, tmp_path):
    """Without --overwrite the file is left as it is; with it, it is replaced as a whole."""
    out = tmp_path / "fleet.csv"
    out.write_text("mine")
    arguments = ("report", "--out", out, "--look-back", "--probe", "GP-001", "--as-of", DAY, "--store", loaded)
    assert "--overwrite" in said_in_one_line(run(*arguments))
    assert out.read_text() == "mine"
    assert run(*arguments, "--overwrite").exit_code == 0
    assert out.read_text(encoding="utf-8-sig").startswith("probe,")


def test_the_store_is_never_written_over(store):
    """Not even with --overwrite, where a report is named like the store."""
    named = store.with_suffix(".csv")
    store.rename(named)
    assert "the store itself" in said_in_one_line(run("report", "--out", named, "--overwrite", "--store", named))


def test_a_failure_on_the_way_leaves_no_part_behind(loaded, tmp_path, monkeypatch):
    """Where the disk gives out in the middle, neither the file nor a piece of it is there."""
    import os

    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    result = run("report", "--out", tmp_path / "x.csv", "--look-back", "--probe", "GP-001", "--as-of", DAY, "--store", loaded)
    assert result.exit_code == 1
    assert "disk is full" in result.stderr
    assert list(tmp_path.iterdir()) == []
