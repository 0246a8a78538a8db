"""The clock of the machine is not the site's clock: a server half a day ahead or behind shows every page that asks for a time."""

from __future__ import annotations

import time
from datetime import timedelta

import pytest

from analytics import moment
from dashboard.seam import read
from tests.dashboard import real_store
from tests.dashboard.opened import open_page


@pytest.fixture(params=["Pacific/Kiritimati", "Pacific/Pago_Pago"], ids=["14 hours ahead", "11 hours behind"])
def machine_clock(request, monkeypatch):
    """The machine's own time zone; the site's stays UTC, as shipped."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(real_store.shared()))
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize("name", ["fleet", "record", "probe", "plan", "report", "other_checks", "settings"])
def test_a_page_opens_whatever_the_clock_of_the_machine_says(machine_clock, name):
    """No default of a box comes from the machine's clock, which may lie beyond the site's now."""
    at = open_page(name, **({"probe": real_store.SOUND} if name in ("record", "probe") else {}))
    assert not at.exception
    assert not at.error


@pytest.mark.parametrize(("name", "box"), [("probe", "decide-until"), ("other_checks", "done_on"), ("plan", "from")])
def test_a_page_left_open_over_midnight_goes_on(monkeypatch, name, box):
    """A day that was chosen yesterday is no error today, though it may lie outside what can be chosen now."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(real_store.shared()))
    at = open_page(name, **{"probe": {"probe": real_store.SOUND}, "other_checks": {"part": "Enter one"}}.get(name, {}))
    at.date_input(key=box).set_value(read.moment().date()).run()
    now = moment.now
    monkeypatch.setattr(moment, "now", lambda zone: now(zone) + timedelta(days=1))
    at.run()
    assert not at.exception
    assert not at.error
    assert at.date_input(key=box).value >= at.date_input(key=box).min
