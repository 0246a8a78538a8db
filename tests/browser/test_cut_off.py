"""The line between browser and server is cut in the middle of a check, and the server is replaced: nothing is lost or doubled."""

from __future__ import annotations

import contextlib
import re

import pytest
from playwright.sync_api import TimeoutError  # noqa: A004 - the one that waiting raises

from analytics.records.check_store import check_store
from analytics.records.drafts import drafts
from analytics.records.reader import snapshot
from tests.browser.relay import Relay
from tests.dashboard import real_store

pytestmark = pytest.mark.browser


@pytest.fixture
def page(chromium):
    """A page whose log may hold errors: a line that is cut writes some."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    yield context.new_page()
    context.close()


def test_a_check_outlives_a_cut_line_and_a_new_server_and_is_stored_once(serve, page, tmp_path):
    """Cut off, the page says that typing pauses and takes none; back again, even at another server, all is there."""
    store = real_store.store(tmp_path)
    before = len(snapshot(store).readings)
    line = Relay(serve(store))
    try:
        page.goto(f"{line.address}/record?probe={real_store.SOUND}")
        box, paused = page.get_by_label("On the source"), page.get_by_text("typing pauses until it is back")
        box.wait_for(timeout=90_000)
        box.press_sequentially("36", delay=20)
        page.wait_for_url(re.compile("draft="), timeout=30_000)
        line.cut()
        paused.wait_for(timeout=30_000)
        assert box.is_disabled()
        assert box.input_value() == "36"
        line.mend()
        paused.wait_for(state="hidden", timeout=60_000)
        box.press("End")
        box.press_sequentially("5", delay=20)
        page.get_by_role("status").get_by_text("▼ beyond tolerance").wait_for(timeout=30_000)
        line.cut()
        paused.wait_for(timeout=30_000)
        line.mend(serve(store))
        paused.wait_for(state="hidden", timeout=60_000)
        assert box.input_value() == "365"
        assert len(drafts(store)) == 1
        box.press("End")
        box.press_sequentially("0", delay=20)
        page.get_by_label("Your name").fill("A. Lind")
        saved = page.get_by_text("This check:")
        for _ in range(6):  # pressed before the new server has drawn its page, the button is not heard
            page.get_by_role("button", name="Save the check").click(timeout=30_000)
            with contextlib.suppress(TimeoutError):
                saved.wait_for(timeout=10_000)
            if saved.is_visible():
                break
        assert saved.is_visible()
    finally:
        line.close()
    assert len(snapshot(store).readings) == before + 1
    assert real_store.rows_of(store, real_store.SOUND)["counts"].tolist() == [3650]
    assert drafts(store).empty
    assert check_store(store) == []
