"""The clock of the machine is not the site's clock: a server half a day ahead or behind shows every page that asks for a time."""

from __future__ import annotations

import time

import pytest

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
