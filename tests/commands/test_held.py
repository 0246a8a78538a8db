"""``steadycount held``: list, export, mend, release, discard."""

from __future__ import annotations

import pytest

from tests.commands.cli import document, run, said_in_one_line


@pytest.fixture
def holding(store, readings_file):
    """A store that holds two rows: an unknown source and a probe that is not registered."""
    file = readings_file({"source": "CK-99"}, {"probe": "XQ-77", "taken_at": "2024-04-02T09:00:00"})
    assert run("load", file, "--store", store).exit_code == 3
    return store


def rows(store):
    """The rows that are held now."""
    return document(run("held", "--store", store, "--json"))["held"]


def test_held_rows_are_listed_with_place_and_reason(holding):
    """``held`` and ``held list`` say the same: file, row, column, value, reason, hint."""
    assert {(one["row"], one["column"], one["value"]) for one in rows(holding)} == {
        (2, "source", "CK-99"),
        (3, "probe", "XQ-77"),
    }
    assert document(run("held", "list", "--store", holding, "--json"))["held"] == rows(holding)


def test_a_person_reads_them_in_columns(holding):
    """Without --json the rows stand in columns on standard output."""
    result = run("held", "--store", holding)
    assert result.exit_code == 0
    assert "CK-99" in result.stdout
    assert "XQ-77" in result.stdout


def test_an_exported_file_that_is_mended_can_be_released(holding, tmp_path):
    """Export, mend the source in the file, release the file: the row is stored; the other stays held, so 3."""
    out = tmp_path / "held.csv"
    assert document(run("held", "export", out, "--store", holding, "--json"))["rows"] == 2
    text = out.read_text(encoding="utf-8-sig")
    assert "CK-99" in text
    out.write_text(text.replace("CK-99", "CK-A1"), encoding="utf-8")
    assert run("held", "release", out, "--store", holding).exit_code == 3
    assert [one["value"] for one in rows(holding)] == ["XQ-77"]


def test_an_export_never_overwrites(holding, tmp_path):
    """A file that is there already is left as it is."""
    out = tmp_path / "held.csv"
    out.write_text("mine", encoding="utf-8")
    assert "held.csv" in said_in_one_line(run("held", "export", out, "--store", holding))
    assert out.read_text(encoding="utf-8") == "mine"


def test_a_row_is_released_by_its_id_once_the_cause_is_gone(holding):
    """``--register-new`` lets the unknown probe in."""
    (chosen,) = [one["held_id"] for one in rows(holding) if one["column"] == "probe"]
    assert run("held", "release", chosen, "--register-new", "--store", holding).exit_code == 0
    assert [one["value"] for one in rows(holding)] == ["CK-99"]


def test_a_row_can_be_discarded_with_a_reason(holding):
    """A discarded row is held no more, and was not loaded."""
    (chosen,) = [one["held_id"] for one in rows(holding) if one["column"] == "source"]
    assert run("held", "discard", chosen, "--reason", "a trial", "--store", holding).exit_code == 0
    assert [one["value"] for one in rows(holding)] == ["XQ-77"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["export"], "which file"),
        (["release"], "no held row"),
        (["release", "4", "held.csv"], "held.csv"),
        (["discard", "all", "--reason", "x"], "all"),
        (["release", "98765"], "98765"),
    ],
)
def test_what_is_meant_must_be_clear(holding, arguments, said):
    """A missing file, a missing or unknown id end with 2 and change nothing."""
    before = rows(holding)
    assert said in said_in_one_line(run("held", *arguments, "--store", holding))
    assert rows(holding) == before
