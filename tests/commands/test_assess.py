"""``steadycount assess``: the document of the contract, for one moment."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import jsonschema
import pytest

from analytics import __version__
from tests.commands.cli import document, run, run_apart, said_in_one_line
from tests.commands.conftest import DRIFTING, LAST, PROBES

SCHEMA = json.loads((Path(__file__).parent / "assess.schema.json").read_text(encoding="utf-8"))
END = LAST.date().isoformat()


def assess(store, *more):
    """The document at the end of the log."""
    result = run("assess", "--as-of", END, "--json", "--store", store, *more)
    assert result.exit_code == 0, result.stderr
    return document(result)


@pytest.fixture(scope="module")
def answer(loaded):
    """The document at the end of the log, made once."""
    return assess(loaded)


def test_schema_itself_is_sound():
    """The schema written from the contract is a valid one."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_the_document_is_that_of_the_contract(answer):
    """Every name, type and label is the contract's, with nothing missing and nothing more."""
    problems = [
        f"{one.json_path}: {one.message[:200]}" for one in jsonschema.Draft202012Validator(SCHEMA).iter_errors(answer)
    ]
    assert problems == []


def test_it_says_what_it_was_made_from(answer):
    """Moment, version, revision and settings stand on the answer."""
    assert answer["as_of"].startswith(END)
    assert answer["version"] == __version__
    assert answer["revision"] >= 1


def test_every_probe_is_answered_and_the_drifting_one_stands_out(answer):
    """Six probes are answered; the one that loses 12 % a year is not `use`, and its cause is efficiency_loss."""
    advice = {one["probe"]: one for one in answer["probes"]}
    assert set(advice) == set(PROBES)
    assert advice[DRIFTING]["advice"] in {"watch", "service", "retire"}
    assert advice[DRIFTING]["cause"] == "efficiency_loss"
    assert sum(advice[one]["advice"] == "use" for one in PROBES if one != DRIFTING) >= 4


def test_numbers_have_ten_significant_digits(answer):
    """No number carries more digits than ten."""
    for number in numbers(answer):
        assert number == float(f"{number:.10g}")


def numbers(value):
    """Every number in a document."""
    if isinstance(value, dict):
        for one in value.values():
            yield from numbers(one)
    elif isinstance(value, list):
        for one in value:
            yield from numbers(one)
    elif isinstance(value, float):
        yield value


def test_a_probe_can_be_asked_for_alone(loaded, answer):
    """``--probe`` gives what the whole document says on that probe, and no other probe."""
    alone = assess(loaded, "--probe", DRIFTING)
    assert alone["probes"] == [one for one in answer["probes"] if one["probe"] == DRIFTING]
    assert alone["series"] == [one for one in answer["series"] if one["probe"] == DRIFTING]


def test_an_unknown_probe_is_said(loaded):
    """Case and zeros count in an id."""
    assert "gp-001" in said_in_one_line(run("assess", "--probe", "gp-001", "--json", "--store", loaded))


def test_what_is_dated_later_changes_nothing(loaded, store, readings_file):
    """The answer at an earlier moment is the same to the last digit after more was loaded."""
    then = ("--as-of", (LAST - timedelta(weeks=12)).isoformat(), "--json", "--store")
    before = document(run("assess", *then, store))
    assert (
        run("load", readings_file({}, {"taken_at": "2024-04-03T08:00:00", "counts": 3}), "--store", store).exit_code
        == 0
    )
    after = document(run("assess", *then, store))
    assert after.pop("revision") > before.pop("revision")
    assert after == before


def test_a_date_is_its_whole_day(loaded):
    """``--as-of`` with a date alone sees the readings of that day."""
    whole = document(run("assess", "--as-of", END, "--json", "--store", loaded))
    early = document(run("assess", "--as-of", f"{END}T00:00:00", "--json", "--store", loaded))
    latest = {one["latest_at"][:10] for one in whole["series"] if one["quantity"] == "response"}
    assert latest == {END}
    assert not any(one["latest_at"] and one["latest_at"][:10] == END for one in early["series"])


def test_settings_of_a_folder_hold_for_one_run_and_are_not_kept(loaded, tmp_path, answer):
    """``--config`` changes the settings' sha256 of this answer, and the next answer is as before."""
    (tmp_path / "mine.toml").write_text("[limits]\ntolerance_pct = 7\n", encoding="utf-8")
    assert assess(loaded, "--config", tmp_path)["config"] != answer["config"]
    assert assess(loaded) == answer


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[limits]\ntolerance_pct = -7\n", "limits.tolerance_pct"),
        ("[limits\n", "mine.toml"),
        ("[lemons]\nx = 1\n", "lemons"),
    ],
)
def test_settings_that_cannot_be_used_are_said(loaded, tmp_path, text, said):
    """A setting out of bounds, a broken file and an unknown section end with 2."""
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    assert said in said_in_one_line(run("assess", "--config", tmp_path, "--json", "--store", loaded))


def test_a_moment_that_is_none_is_said(loaded):
    """``--as-of`` takes ISO 8601 and nothing else."""
    assert "--as-of" in said_in_one_line(run("assess", "--as-of", "31.3.2024", "--store", loaded))


def test_before_the_first_reading_nothing_is_claimed(loaded):
    """With no reading yet, every probe is undetermined and says why."""
    early = document(run("assess", "--as-of", "2022-12-31", "--json", "--store", loaded))
    jsonschema.validate(early, SCHEMA)
    assert {one["advice"] for one in early["probes"]} <= {"undetermined"}
    assert all(one["reasons"] for one in early["probes"])


def test_a_person_reads_the_worst_first(loaded):
    """Without --json there is one line a probe, the drifting one first, and the caution on standard error."""
    result = run("assess", "--as-of", END, "--store", loaded)
    lines = result.stdout.splitlines()
    assert len(lines) == 1 + len(PROBES)
    assert lines[1].startswith(DRIFTING)
    assert "physicist" in result.stderr


def test_a_terminal_that_knows_ascii_only_gets_the_same_answer(loaded, answer):
    """Where the terminal has no × and no –, the document is escaped and the text shows ?, and nothing fails."""
    ascii_only = {"cwd": loaded.parent, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    result = run_apart("assess", "--as-of", END, "--json", "--store", loaded, **ascii_only)
    assert result.returncode == 0, result.stderr
    assert document(result) == answer
    assert run_apart("assess", "--as-of", END, "--store", loaded, **ascii_only).returncode == 0


def test_standard_output_holds_the_document_alone(loaded, answer):
    """In a process of its own, --json prints the same document and nothing on standard error."""
    result = run_apart("assess", "--as-of", END, "--json", "--store", loaded, cwd=loaded.parent)
    assert result.returncode == 0
    assert document(result) == answer
    assert result.stderr == ""
