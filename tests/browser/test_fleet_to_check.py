"""From the fleet's picture to one check, in Chromium: press a mark, press a reading, and open the link elsewhere."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.sample import AS_OF, store

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def press(page, locator):
    """Press the middle of a mark, as a mouse does."""
    locator.scroll_into_view_if_needed()
    box = locator.bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)


def test_a_mark_leads_to_its_probe_and_a_reading_to_its_countings(sample_address, page):
    """Three presses from the start: mark, reading, and the steps to its number; the address restores it all."""
    address = sample_address
    page.goto(f"{address}/?as_of={AS_OF}")
    marks = page.locator(".st-key-map .point")
    marks.first.wait_for(timeout=120_000)
    press(page, marks.last)
    page.wait_for_url(re.compile(r"/probe\?.*probe="), timeout=30_000)
    page.locator(".st-key-story .point").first.wait_for(timeout=60_000)
    readings = page.locator(".st-key-story .point")
    page.get_by_role("heading", name="One check, and how its number came about").wait_for()
    table = page.get_by_role("table").first
    table.get_by_text("Dead time").wait_for()
    newest = table.text_content()
    press(page, readings.nth(40))
    page.wait_for_url(re.compile("at=20"), timeout=30_000)
    expect(table).not_to_have_text(newest, timeout=30_000)
    said = table.text_content()
    link = page.url
    context = page.context.browser.new_context()
    try:
        other = context.new_page()
        other.goto(link)
        expect(other.get_by_role("table").first).to_have_text(said, timeout=90_000)
    finally:
        context.close()


def test_the_time_shown_is_kept_in_the_address(sample_address, page):
    """Choosing a year and opening the address anew shows the same year."""
    address = sample_address
    page.goto(f"{address}/probe?as_of={AS_OF}")
    page.get_by_text("1 year", exact=True).click(timeout=90_000)
    page.wait_for_url(re.compile(r"span=1(\+|%20)year"), timeout=30_000)
    assert "probe=" in page.url
    page.reload()
    chosen = page.get_by_role("radio", name="1 year")
    chosen.wait_for(timeout=90_000)
    assert chosen.get_attribute("aria-checked") == "true"


def test_an_excluded_check_is_hollow_and_can_be_taken_back(serve, page, tmp_path):
    """With a name and a reason a check is hidden; the chart shows it as excluded; taking it back restores it."""
    import shutil

    mine = tmp_path / "sample.duckdb"
    for part in store().parent.glob("sample.duckdb*"):
        shutil.copy(part, tmp_path / part.name)
    address = serve(mine)
    page.goto(f"{address}/probe?probe=QU-01")
    for button, hidden in (("Exclude from the analysis", True), ("Take back an exclusion", False)):
        page.get_by_role("button", name=button).wait_for(timeout=120_000)
        page.wait_for_timeout(1000)
        if not page.get_by_label("Reason").is_visible():  # the form stays open over the page's renewal, or does not
            page.get_by_role("button", name=button).click()
        page.get_by_label("Reason").fill("source not seated")
        page.get_by_label("Reason").press("Enter")
        name = page.get_by_label("Your name")
        if name.input_value() != "A. Lind":
            name.fill("A. Lind")
            name.press("Enter")
        page.get_by_role("button", name="Exclude" if hidden else "Take back", exact=True).click()
        shown = page.locator(".st-key-story .legendtext", has_text="excluded by a person")
        shown.wait_for(state="attached" if hidden else "detached", timeout=120_000)
