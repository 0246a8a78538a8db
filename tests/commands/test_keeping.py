"""``steadycount check-store``, ``backup`` and ``restore``: is it still what was put in, and is there another."""

from __future__ import annotations

from tests.commands.cli import document, run, said_in_one_line
from tests.commands.conftest import LAST

END = LAST.date().isoformat()


def test_a_store_as_it_was_loaded_is_sound(loaded):
    """0, and no problems."""
    result = run("check-store", "--store", loaded, "--json")
    assert result.exit_code == 0
    assert document(result) == {"sound": True, "problems": []}


def test_a_truncated_store_is_not_sound(store):
    """A store that lost its end is 1 or not understood, never 0, and there is no traceback."""
    content = store.read_bytes()
    store.write_bytes(content[: len(content) // 2])
    result = run("check-store", "--store", store)
    assert result.exit_code == 1, result.stderr
    assert "Traceback" not in result.stderr


def test_backup_and_restore_give_the_same_answer_to_the_last_digit(store, tmp_path):
    """The restored store assesses as the first one does, revision and all."""
    copy, again = tmp_path / "copy.duckdb", tmp_path / "again.duckdb"
    kept = document(run("backup", copy, "--store", store, "--json"))
    restored = document(run("restore", copy, "--store", again, "--json"))
    assert kept["history_head"] == restored["history_head"]
    first, second = (document(run("assess", "--as-of", END, "--json", "--store", one)) for one in (store, again))
    assert first == second
    assert run("check-store", "--store", again).exit_code == 0


def test_a_backup_never_overwrites(store, tmp_path):
    """A file that is there already is left as it is."""
    there = tmp_path / "there.duckdb"
    there.write_text("mine", encoding="utf-8")
    assert "there.duckdb" in said_in_one_line(run("backup", there, "--store", store))
    assert there.read_text(encoding="utf-8") == "mine"


def test_a_restore_never_overwrites(store, tmp_path):
    """A store that is there already is left as it is."""
    copy = tmp_path / "copy.duckdb"
    run("backup", copy, "--store", store)
    before = store.read_bytes()
    assert "fleet.duckdb" in said_in_one_line(run("restore", copy, "--store", store))
    assert store.read_bytes() == before


def test_what_is_no_backup_is_refused(tmp_path):
    """A missing file and a file of something else are named, and no store is made."""
    letter = tmp_path / "letter.duckdb"
    letter.write_text("Dear colleague", encoding="utf-8")
    target = tmp_path / "new.duckdb"
    assert "none.duckdb" in said_in_one_line(run("restore", tmp_path / "none.duckdb", "--store", target))
    assert "letter.duckdb" in said_in_one_line(run("restore", letter, "--store", target))
    assert not target.exists()
