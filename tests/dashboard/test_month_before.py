"""What changed in a month: at once on a small store, beside the page on a large one, with the same answer."""

from __future__ import annotations

from datetime import timedelta

import pytest

from dashboard.seam import month_before, read
from tests.dashboard import made_up
from tests.dashboard.opened import open_page, use, words


@pytest.fixture
def large(monkeypatch):
    """Every store counts as large, and the answer of then is the stub's."""
    use(monkeypatch, *made_up.fleet())
    before = read.assessment(read.moment() - timedelta(days=30))
    monkeypatch.setattr(month_before, "AT_ONCE", 0)
    monkeypatch.setattr("analytics.fleet.assess", lambda *_: before)
    yield
    month_before.finish()


def test_a_large_fleet_gets_the_changes_of_a_small_one(monkeypatch, large):
    """The answer worked out beside the page is the one that is worked out at once."""
    look, since = read.look(), read.moment() - timedelta(days=30)
    month_before.changes(look, since)
    for one in list(month_before._asked.values()):
        one.result(timeout=20)
    beside = month_before.changes(look, since)
    monkeypatch.setattr(month_before, "AT_ONCE", 10**9)
    assert beside
    assert beside == month_before.changes(look, since)


def test_the_page_of_a_large_fleet_does_not_wait(monkeypatch, large):
    """While the answer of then is awaited the page stands, says so, and names no change and no lack of one."""
    monkeypatch.setattr(month_before, "changes", lambda *_: None)
    at = open_page("fleet")
    assert not at.exception
    said = words(at)
    assert "Working out the answers of" in said
    assert "No probe's answer changed" not in said


def test_a_failure_beside_the_page_is_not_kept_from_it(monkeypatch, large):
    """An analysis that fails on the worker fails on the page that asked for it."""

    def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr("analytics.fleet.assess", broken)
    look, since = read.look(), read.moment() - timedelta(days=30)
    month_before.changes(look, since)
    for one in list(month_before._asked.values()):
        one.exception(timeout=20)
    with pytest.raises(ZeroDivisionError):
        month_before.changes(look, since)
