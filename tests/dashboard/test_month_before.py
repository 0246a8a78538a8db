"""What changed in a month: at once on a small store, beside the page on a large one, with the same answer."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pandas as pd
import pytest

from analytics.records import people
from analytics.records.standing import read_on, standing
from analytics.records.typed_in import record_check
from analytics.settings import load
from dashboard.seam import answers, month_before, read, worker
from dashboard.seam.place import STORE
from tests.dashboard import made_up, real_store
from tests.dashboard.opened import open_page, use, words


@pytest.fixture
def large(monkeypatch):
    """Every store counts as large, and what the worker finds is what the stub says."""
    use(monkeypatch, *made_up.fleet())
    then = read.assessment(read.moment() - timedelta(days=30)).probes
    monkeypatch.setattr(answers, "AT_ONCE", 0)
    asked = []

    def ask(task, *given, says, about_s):
        asked.append(worker.Job(task, given, says, about_s))
        return asked[-1]

    monkeypatch.setattr(worker.later, "ask", ask)
    yield asked, then
    month_before._asked.clear()


def test_a_large_fleet_gets_the_changes_of_a_small_one(monkeypatch, large):
    """Not known until the worker has answered; then the changes are those that are worked out at once."""
    asked, then = large
    look, since = read.look(), read.moment() - timedelta(days=30)
    assert month_before.changes(look, since) is None
    assert asked[0].task == "probes_at"
    assert asked[0].given[2] == since
    asked[0].future.set_result(then)
    beside = month_before.changes(look, since)
    assert len(asked) == 1
    monkeypatch.setattr(answers, "AT_ONCE", 10**9)
    assert beside
    assert beside == month_before.changes(look, since)


def test_the_page_of_a_large_fleet_does_not_wait(large):
    """While the answer of then is awaited the page stands, says so, and names no change and no lack of one."""
    at = open_page("fleet")
    assert not at.exception
    said = words(at)
    assert "Working out the answers of" in said
    assert "No probe's answer changed" not in said


def test_a_failure_beside_the_page_is_not_kept_from_it(large):
    """An analysis that fails on the worker fails on the page that asked for it."""
    look, since = read.look(), read.moment() - timedelta(days=30)
    month_before.changes(look, since)
    large[0][0].future.set_exception(ZeroDivisionError())
    with pytest.raises(ZeroDivisionError):
        month_before.changes(look, since)


def test_a_check_made_since_leaves_the_answer_of_then(monkeypatch, large):
    """Another revision with a later reading asks for nothing anew; with one reading of then hidden it does."""
    asked, _ = large
    look, since = read.look(), read.moment() - timedelta(days=30)
    month_before.changes(look, since)
    readings = look.records.readings
    later = readings.assign(counts=readings["counts"].where(readings["taken_at"] <= since, 1.0))
    month_before.changes(replace(look, records=replace(look.records, revision=8, readings=later)), since)
    assert len(asked) == 1
    hidden = readings.assign(excluded=readings.index == 0)
    month_before.changes(replace(look, records=replace(look.records, revision=9, readings=hidden)), since)
    assert len(asked) == 2


def test_of_what_was_read_on_the_print_is_that_of_the_same_rows(monkeypatch, tmp_path):
    """A check made since leaves the print of then, and takes no look at the older readings; one of then that is hidden alters it."""
    store = real_store.store(tmp_path)
    monkeypatch.setenv(STORE, str(store))
    first = standing(store)
    since = first.newest - timedelta(days=30)
    looked: list = []
    whole = month_before._tables
    monkeypatch.setattr(month_before, "_tables", lambda records, at: looked.append(len(records.readings)) or whole(records, at))

    def printed(stand):
        look = read.Look(stand.records, load(), object())
        monkeypatch.setattr(answers, "standing_of", lambda _: stand)
        return month_before._print(look, since)

    before = printed(first)
    last = first.records.readings.iloc[-1]
    row = {name: last[name] for name in ("probe", "window", "measurement", "counts", "count_time_s", "source", "jig", "readout") if pd.notna(last[name])}
    record_check(store, [{**row, "taken_at": last["taken_at"] + timedelta(minutes=5), "repeat": 1}], by="A. Lind", now=last["taken_at"] + timedelta(hours=1))
    more = read_on(store, first)
    assert len(more.records.readings) == len(first.records.readings) + 1
    looked.clear()
    assert printed(more) == before
    assert sum(looked) == 1
    people.exclude(store, int(first.records.readings["reading_id"].iloc[0]), by="A. Lind", reason="source not seated")
    assert printed(read_on(store, more)) != before
