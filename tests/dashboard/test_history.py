"""History, under AppTest on real stores."""

from __future__ import annotations

import duckdb
import pytest

from analytics.records import people
from analytics.records.load import load_files
from analytics.records.reader import snapshot
from dashboard.seam.changes import difference
from tests.dashboard.opened import open_page, words
from tests.dashboard.test_import import PROBES, READINGS, SOURCES


@pytest.fixture
def store(tmp_path, monkeypatch):
    """A store with one load, one excluded reading and one correction."""
    path = tmp_path / "fleet.duckdb"
    monkeypatch.setenv("STEADYCOUNT_STORE", str(path))
    files = []
    for name, text in (("probes.csv", PROBES), ("sources.csv", SOURCES), ("readings.csv", READINGS)):
        (tmp_path / name).write_text(text)
        files.append(tmp_path / name)
    load_files(path, files, by="A. Lind", create=True)
    people.exclude(path, 2, by="B. Moor", reason="source not seated")
    people.correct(path, 3, "counts", 19900, by="A. Lind", reason="typing error")
    return path


def test_without_a_store_the_page_says_what_to_do(tmp_path, monkeypatch):
    """No store: no exception, and the way to the first load."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(tmp_path / "none.duckdb"))
    at = open_page("history")
    assert not at.exception
    assert "There is no store yet" in words(at)


def test_changes_say_who_what_when_and_why(store):
    """Load, exclusion and correction stand there, newest first, each with person and reason."""
    rows = open_page("history").dataframe[0].value
    assert list(rows["what"]) == ["corrected", "reading excluded", "loaded"]
    assert list(rows["by"]) == ["A. Lind", "B. Moor", "A. Lind"]
    assert rows["reason"].iloc[1] == "source not seated"
    assert "6 rows: 6 new, 0 already there, 0 held; from" in rows["difference"].iloc[2]
    assert rows["difference"].iloc[0] == "counts: 19800 → 19900"


@pytest.mark.parametrize(("link", "left"), [
    ({"who": "B. Moor"}, 1), ({"what": "loaded"}, 1), ({"text": "SEATED"}, 1), ({"text": "nothing like it"}, 0),
    ({"part": "Corrections"}, 1)])  # fmt: skip
def test_a_link_restores_the_filters(store, link, left):
    """An address with a person, a kind of change, a word or a part opens on these changes alone."""
    at = open_page("history", **link)
    assert not at.exception
    assert (len(at.dataframe[0].value) if at.dataframe else 0) == left


def test_a_marked_change_is_shown_in_full(store):
    """Marking a row shows before, after and its hash."""
    at = open_page("history")
    at.session_state["changes"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    at.run()
    assert any('"counts"' in one.value for one in at.code)
    assert "Hash of this row" in words(at)


def test_an_exclusion_can_be_taken_back(store):
    """Marking an excluded reading, with name and reason, lets it take part again; the history keeps both."""
    at = open_page("history", part="Exclusions")
    assert list(at.dataframe[0].value["reason"]) == ["source not seated"]
    at.session_state["exclusions"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    at.run()
    at.text_input(key="person_include").set_value("A. Lind")
    next(one for one in at.text_input if one.label == "Why").set_value("it was seated after all")
    next(one for one in at.button if one.label.startswith("Take 1 exclusion")).click().run()
    assert not at.exception
    assert not snapshot(store).readings["excluded"].any()
    assert "No reading is excluded" in words(at)


def test_the_chain_is_found_sound(store):
    """The state of the history: its head, and on demand a check of everything that finds nothing wrong."""
    at = open_page("history", part="Is it whole?")
    assert len(at.code[0].value) == 64
    next(one for one in at.button if one.label == "Check everything now").click().run()
    assert "Sound" in at.success[0].value


def test_a_tampered_store_is_found_out(store):
    """A count that was changed behind the tool's back, or a rewritten history row, is named."""
    with duckdb.connect(str(store)) as con:
        con.execute("UPDATE change SET reason = 'nothing' WHERE revision = 2")
    at = open_page("history", part="Is it whole?")
    next(one for one in at.button if one.label == "Check everything now").click().run()
    assert at.error
    assert not at.success


@pytest.mark.parametrize(("before", "after", "said"), [
    ('{"a": 1, "b": 2}', '{"a": 1, "b": 3}', "b: 2 → 3"), (None, '{"a": 1}', "a: 1"), ('{"a": 1}', None, "a: 1"),
    ('{"a": 1}', '{"a": null}', "a: 1 → –"), (None, None, ""), ("not json", None, "not json")])  # fmt: skip
def test_a_difference_names_only_what_changed(before, after, said):
    """Field by field, before and after; one side alone lists its fields; text that is no JSON stands as it is."""
    assert difference(before, after) == said
