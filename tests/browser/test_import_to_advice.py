"""The main path of a new user, in Chromium: load a log, open the drifting probe, read the advice."""

from __future__ import annotations

import pytest

from analytics.records.store import create
from analytics.records.undo import loads
from analytics.simulate import write_csv
from tests.dashboard import real_store

pytestmark = pytest.mark.browser


def test_a_log_is_loaded_and_the_drifting_probe_explained(serve, page, tmp_path):
    """In an empty store: upload the tables, rehearse, load; the falling probe's page names the loss and what to do."""
    folder = tmp_path / "log"
    folder.mkdir()
    files = write_csv(real_store.fleet().tables, folder)
    store = tmp_path / "new.duckdb"
    create(store)
    address = serve(store)
    page.goto(f"{address}/import_log")
    page.get_by_role("heading", name="Import", exact=True).wait_for()
    page.get_by_text("First the registries").wait_for()
    page.locator("input[type=file]").set_input_files([str(one) for one in files if one.stat().st_size > 0])
    page.get_by_role("heading", name="What this load would do").wait_for(timeout=60_000)
    page.get_by_text("Nothing is written yet").wait_for()
    assert loads(store).empty
    page.get_by_label("Your name").fill("A. Lind")
    page.get_by_label("Your name").press("Enter")
    page.get_by_role("button", name="Load exactly this").click()
    page.get_by_text("Load 1:").wait_for(timeout=60_000)
    page.get_by_role("link", name="See the fleet").click()
    page.get_by_role("heading", name="Fleet", exact=True).wait_for(timeout=60_000)
    page.goto(f"{address}/probe?probe={real_store.FALLING}")
    page.get_by_role("heading", name=real_store.FALLING).first.wait_for(timeout=90_000)
    said = page.locator('[data-testid="stMain"]')
    said.get_by_text("loss of efficiency").first.wait_for(timeout=30_000)
    said.get_by_text("of its reference").first.wait_for()
    advice = page.get_by_role("heading", name=real_store.FALLING).first.inner_text()
    assert any(word in advice for word in ("watch", "pull in", "retire")), advice
