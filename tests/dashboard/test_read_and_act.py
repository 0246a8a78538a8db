"""The seam on a real store: what is read follows the revision, what is written asks for a name and a reason."""

from __future__ import annotations

from datetime import datetime

import pytest
import streamlit as st

from analytics.errors import UserError
from dashboard.seam import act, read
from tests.dashboard import real_store
from tests.dashboard.opened import open_page, words


@pytest.fixture
def store(tmp_path, monkeypatch):
    """A store of the test's own, which the seam reads."""
    path = real_store.store(tmp_path)
    monkeypatch.setenv("STEADYCOUNT_STORE", str(path))
    st.cache_resource.clear()
    return path


def test_a_write_is_seen_at_once(store):
    """Excluding a reading raises the revision; the next read shows it excluded, and taking it back shows it again."""
    before = read.revision()
    reading = int(read.records().readings["reading_id"].iloc[-1])
    act.exclude([reading], by="A. Lind", reason="source not seated")
    assert read.revision() > before
    seen = read.records().readings.set_index("reading_id")["excluded"]
    assert seen[reading]
    act.include([reading], by="A. Lind", reason="it was seated")
    assert not read.records().readings.set_index("reading_id")["excluded"][reading]


def test_the_same_revision_is_read_once(store):
    """Two reads of one revision give the same tables and the same answer, not equal ones."""
    assert read.records() is read.records()
    when = datetime(2030, 1, 1)
    assert read.assessment(when) is read.assessment(when)


@pytest.mark.parametrize(
    ("by", "reason", "where"), [("", "x", "Your name"), ("  ", "x", "Your name"), ("A. Lind", " ", "Reason")]
)
def test_nothing_is_written_without_a_name_and_a_reason(store, by, reason, where):
    """The store is left as it was, and the message says which of the two is wanting."""
    before = read.revision()
    with pytest.raises(UserError) as caught:
        act.exclude([1], by=by, reason=reason)
    assert caught.value.where == where
    assert read.revision() == before


def test_a_decision_stands_in_the_records(store):
    """A note on an episode is kept with who and why."""
    act.decide("seen", probe=real_store.FALLING, episode="E-1", by="A. Lind", reason="on my list")
    made = read.records().decisions
    assert made[["probe", "kind", "episode", "by", "reason"]].to_dict("records") == [
        {"probe": real_store.FALLING, "kind": "seen", "episode": "E-1", "by": "A. Lind", "reason": "on my list"}
    ]


def test_no_store_reads_as_nothing(tmp_path, monkeypatch):
    """Without a store the records are empty, and no file is made."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(tmp_path / "none.duckdb"))
    st.cache_resource.clear()
    assert not read.exists()
    assert read.records().readings.empty
    assert read.revision() == 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["fleet", "alerts", "probe", "sources"])
def test_a_page_without_a_store_says_what_to_do(tmp_path, monkeypatch, name):
    """Each page names the file it looked for, and the two ways to begin."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(tmp_path / "none.duckdb"))
    st.cache_resource.clear()
    at = open_page(name)
    assert not at.exception
    assert "There is no store yet" in words(at)


@pytest.mark.parametrize("name", ["fleet", "alerts", "probe", "sources"])
def test_a_page_opens_on_the_real_analysis(store, name):
    """On records that were loaded and analysed, each page opens without an exception or an error."""
    at = open_page(name)
    assert not at.exception
    assert not at.error


def test_an_earlier_day_uses_nothing_later(store):
    """As of a day in the middle of the record, the page says so, and its last check is not after that day."""
    taken = read.records().readings["taken_at"]
    middle = taken.iloc[len(taken) // 2].date()
    at = open_page("fleet", as_of=middle.isoformat())
    assert "As it was on" in words(at)
    table = next(one.value for one in at.dataframe if "why" in one.value)
    assert table["last_check"].dropna().max().date() <= middle


@pytest.mark.parametrize("name", ["fleet", "alerts", "probe", "sources"])
@pytest.mark.parametrize("day", ["2000-01-01", "first"])
def test_a_page_opens_before_anything_was_known(store, name, day):
    """As of a day before the first reading, and of the first day itself, each page opens and claims nothing."""
    first = read.records().readings["taken_at"].min().date().isoformat()
    at = open_page(name, as_of=first if day == "first" else day)
    assert not at.exception
    assert not at.error


def test_a_day_that_is_none_is_one_clear_line(store):
    """A mistyped day in the address is told in a sentence that says how to write it."""
    at = open_page("fleet", as_of="yesterday")
    assert not at.exception
    assert "`yesterday` is no date or time" in at.error[0].value


def test_an_unknown_probe_is_said_and_another_shown(store):
    """A link to a probe that is not registered says so and shows the one to look at first."""
    at = open_page("probe", probe="P-999")
    assert not at.exception
    assert any("No probe is registered as P-999" in one.value.replace("\\", "") for one in at.warning)
