"""Other checks, under AppTest on a real store."""

from __future__ import annotations

from datetime import datetime

import pytest

from analytics.records.reader import snapshot
from analytics.records.store_settings import save_settings
from dashboard.seam import inspecting
from tests.dashboard import real_store
from tests.dashboard.opened import open_page, words


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A store with intervals set."""
    path = real_store.store(tmp_path_factory.mktemp("other"))
    save_settings(path, {"schedule": {"leak_test_days": 182.0, "inspection_days_by_kind": {"visual": 31.0}}}, by="A. Lind")
    return path


@pytest.fixture
def store(whole, monkeypatch):
    """That store, as the dashboard's."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(whole))
    return whole


@pytest.mark.parametrize("part", ["What is due", "By site and month", "Enter one", "On record"])
def test_each_part_opens_by_its_link(store, part):
    """Every part answers without an error."""
    at = open_page("other_checks", part=part)
    assert not at.exception
    assert at.title[0].value == "Other checks"


def test_without_a_store_the_page_says_what_to_do(tmp_path, monkeypatch):
    """No store: no exception, and the way to the first load."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(tmp_path / "none.duckdb"))
    at = open_page("other_checks")
    assert not at.exception
    assert "There is no store yet" in words(at)


def test_what_is_on_record_can_be_searched_where_cells_are_empty(store):
    """Searching finds by probe, kind or person, in rows most of whose cells are empty; it had ended in an error."""
    inspecting.enter("probe", real_store.SOUND, done_at=datetime(2026, 1, 5, 9), kind="visual", by="A. Lind", result="pass")
    done = inspecting.enter("probe", real_store.OTHER, done_at=datetime(2026, 1, 5, 9), kind="power", by="A. Lind", result="pass")
    try:
        at = open_page("other_checks", part="On record", text=real_store.SOUND.lower())
        assert not at.exception
        assert list(at.dataframe[0].value["probe"]) == [real_store.SOUND]
        assert list(open_page("other_checks", part="On record", text="power").dataframe[0].value["probe"]) == [real_store.OTHER]
    finally:
        for load in (done.load, done.load - 1):
            inspecting.undo(load, by="A. Lind")


def test_an_inspection_is_entered_and_taken_back(store):
    """Entered with a result and a name it is on record and no longer past due; taken back, it is gone and due again."""
    due = open_page("other_checks", kind="visual").dataframe[0].value
    assert (due["state"] == "▼ past due").all()
    at = open_page("other_checks", part="Enter one")
    at.selectbox(key="subject").set_value(real_store.SOUND)
    at.selectbox(key="kind_done").set_value("visual")
    at.button[-1].click().run()
    assert "Choose the probe, the check, the day and the result." in words(at)  # nothing has passed beforehand
    assert snapshot(store).inspections.empty
    at.selectbox(key="result").set_value("pass")
    at.button[-1].click().run()
    assert "no name was given" in words(at)
    at.selectbox(key="subject").set_value(real_store.SOUND)
    at.selectbox(key="result").set_value("pass")
    at.text_input(key="person_inspection").set_value("A. Lind")
    at.button[-1].click().run()
    assert not at.exception
    kept = snapshot(store).inspections
    assert list(kept["probe"]) == [real_store.SOUND]
    assert list(kept["person"]) == ["A. Lind"]
    due = open_page("other_checks", kind="visual").dataframe[0].value.set_index("subject")
    assert due.loc[real_store.SOUND, "state"] in ("● in date", "△ due, or within 30 d")
    next(one for one in at.button if one.label == "Take it back").click().run()
    assert not at.exception
    assert snapshot(store).inspections.empty
