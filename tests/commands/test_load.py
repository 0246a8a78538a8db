"""``steadycount load`` and ``undo``: what goes in, what is held, what can be taken back."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys

import pytest

from tests.commands.cli import ROOT, document, run, run_apart, said_in_one_line
from tests.commands.conftest import PROBES, WEEKS

ROWS = 2 * WEEKS * len(PROBES)


def test_a_clean_log_ends_with_0_and_makes_the_store(log, tmp_path):
    """Registries and readings in one command, whatever their order, make the store and leave nothing held."""
    store = tmp_path / "new.duckdb"
    result = run("load", log["readings"], log["windows"], log["sources"], log["probes"], "--store", store, "--json")
    assert result.exit_code == 0
    answer = document(result)
    assert store.is_file()
    assert answer["held"] == []
    counts = {one["file"].rsplit("/", 1)[-1]: one for one in answer["files"]}
    assert counts["readings.csv"] | {"file": ""} == {
        "file": "",
        "rows": ROWS,
        "stored": ROWS,
        "already_there": 0,
        "held": 0,
    }


def test_the_same_files_again_add_nothing(log, store):
    """Every row of a second load is already there."""
    answer = document(run("load", *log.values(), "--store", store, "--json"))
    assert {(one["stored"], one["held"]) for one in answer["files"]} == {(0, 0)}
    assert all(one["already_there"] == one["rows"] for one in answer["files"])


def test_standard_output_holds_the_document_alone(log, tmp_path):
    """In a process of its own, --json prints one document on standard output."""
    result = run_apart("load", *log.values(), "--store", "x.duckdb", "--json", cwd=tmp_path)
    assert result.returncode == 0, result.stderr
    assert set(document(result)) == {"load", "files", "held"}


def test_a_terminal_gets_a_progress_bar_on_standard_error(log, tmp_path):
    """Where a person watches, a bar moves on standard error, and standard output still holds the document alone."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.commands", "load", *map(str, log.values()), "--store", "x.duckdb", "--json"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "120"},
        stdout=subprocess.PIPE,
        stderr=theirs,
    )
    os.close(theirs)
    shown = b""
    try:
        while chunk := os.read(ours, 65536):
            shown += chunk
    except OSError:  # the terminal is closed when the process ends
        pass
    finally:
        os.close(ours)
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    assert len(json.loads(out)["files"]) == 4
    assert " %" in shown.decode()


def test_without_json_standard_output_stays_empty(log, tmp_path):
    """What a load says to a person goes to standard error."""
    result = run("load", *log.values(), "--store", tmp_path / "x.duckdb")
    assert result.stdout == ""
    assert "readings.csv" in result.stderr


def test_held_rows_end_with_3_and_are_named(store, readings_file):
    """A row that cannot be taken is held with its place, value, reason and hint; the good ones are stored."""
    file = readings_file({}, {"taken_at": "2024-04-02T09:00:00", "probe": "GP-0O1"}, {"source": "CK-99"})
    result = run("load", file, "--store", store, "--json")
    assert result.exit_code == 3
    answer = document(result)
    (one,) = answer["files"]
    assert one["stored"] + one["already_there"] + one["held"] == one["rows"] == 3
    assert one["held"] == 2
    for row in answer["held"]:
        assert set(row) == {"file", "row", "column", "value", "reason", "hint"}
    assert {(row["row"], row["column"], row["value"]) for row in answer["held"]} == {
        (3, "probe", "GP-0O1"),
        (4, "source", "CK-99"),
    }


def test_an_unknown_probe_is_registered_only_when_asked(store, readings_file):
    """``--register-new`` takes a probe that is not near any known one; without it the row is held."""
    file = readings_file({"probe": "XQ-77"})
    assert run("load", file, "--store", store).exit_code == 3
    assert run("load", file, "--store", store, "--register-new").exit_code == 0


@pytest.mark.parametrize("column", ["probe", "taken_at", "window", "measurement", "count_time_s"])
def test_a_missing_column_is_said_and_changes_nothing(store, readings_file, column):
    """A file without a required column is not understood: 2, one line with the file; the store stays as it was."""
    before = document(run("undo", "--store", store, "--json"))
    line = said_in_one_line(run("load", readings_file({}, leave_out=column), "--store", store))
    assert "more.csv" in line
    assert document(run("undo", "--store", store, "--json")) == before


def test_a_file_that_is_not_there_is_said(store, tmp_path):
    """A mistyped name ends with 2 and is named."""
    assert "none.csv" in said_in_one_line(run("load", tmp_path / "none.csv", "--store", store))


def test_an_empty_file_makes_no_store(tmp_path):
    """An empty file is refused, and no store is left behind."""
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    line = said_in_one_line(run("load", tmp_path / "empty.csv", "--store", tmp_path / "x.duckdb"))
    assert "empty" in line
    assert not (tmp_path / "x.duckdb").exists()


def test_a_kind_that_does_not_exist_is_refused(store, readings_file):
    """``--as`` takes the kinds of the contract only."""
    assert "potatoes" in said_in_one_line(run("load", readings_file({}), "--as", "potatoes", "--store", store))


def test_a_column_map_that_is_not_known_is_refused(store, readings_file):
    """``--map`` names a saved map or a file; anything else is said."""
    assert "no-such-map" in said_in_one_line(run("load", readings_file({}), "--map", "no-such-map", "--store", store))


def test_a_foreign_file_as_store_is_refused_and_left_alone(log, tmp_path):
    """A store path that holds something else is not written to."""
    foreign = tmp_path / "letter.duckdb"
    foreign.write_text("Dear colleague", encoding="utf-8")
    assert "letter.duckdb" in said_in_one_line(run("load", log["probes"], "--store", foreign))
    assert foreign.read_text(encoding="utf-8") == "Dear colleague"


def test_a_load_can_be_undone_and_the_file_then_loads_anew(store, readings_file):
    """Undo takes the rows back, and the same file is new again."""
    file = readings_file({}, {"taken_at": "2024-04-02T09:00:00"})
    load = document(run("load", file, "--store", store, "--json"))["load"]
    assert document(run("undo", load, "--store", store, "--reason", "trial", "--json")) == {"load": load, "rows": 2}
    assert document(run("load", file, "--store", store, "--json"))["files"][0]["stored"] == 2


def test_loads_are_listed_with_who_and_when(store):
    """``undo`` without a number lists the loads and changes nothing."""
    (only,) = document(run("undo", "--store", store, "--json"))["loads"]
    assert only["by"] == "A. Tester"
    assert only["undone_at"] is None


def test_a_load_that_does_not_exist_cannot_be_undone(store):
    """A wrong number is named, and nothing happens."""
    assert "99" in said_in_one_line(run("undo", 99, "--store", store))


def test_by_is_the_person_in_the_history(store, readings_file):
    """``--by`` stands with the load; without it the operating system's user does."""
    run("load", readings_file({}), "--store", store, "--by", "M. Physicist")
    loads = document(run("undo", "--store", store, "--json"))["loads"]
    assert loads[0]["by"] == "M. Physicist"
