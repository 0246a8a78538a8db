"""Every page in Chromium on the demo's sample: no error in its log, nothing fetched from outside, open to everybody."""

from __future__ import annotations

from itertools import pairwise

import pytest
from axe_playwright_python.sync_playwright import Axe

from dashboard.pages import PAGES
from tests.browser.sample import AS_OF

pytestmark = [pytest.mark.browser, pytest.mark.slow]

# Streamlit's own markup of a place to drop files carries a role and a label that contradict each other; a best
# practice and no rule of WCAG, and nothing that a page can change.
NOT_OURS = {("presentation-role-conflict", "stFileUploaderDropzone")}


def settled(page):
    """Wait until the script of the page has run through and its last figure stands."""
    page.locator(".st-key-footer").wait_for(timeout=90_000)
    page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for(timeout=60_000)
    page.get_by_text("It goes on beside this page").wait_for(state="detached", timeout=90_000)
    page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for(timeout=60_000)
    page.wait_for_timeout(300)


def levels(page):
    """The levels of the headings on the page, in order."""
    return [int(one) for one in page.evaluate("[...document.querySelectorAll('h1,h2,h3,h4')].map(h => h.tagName[1])")]


def barriers(page):
    """What axe finds wrong on the page, each as rule and element."""
    return [
        (rule["id"], node["html"][:300])
        for rule in Axe().run(page).response["violations"]
        for node in rule["nodes"]
        if not any(rule["id"] == known and part in node["html"] for known, part in NOT_OURS)
    ]


def ground(page):
    """The colour behind everything."""
    return page.evaluate("getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor")


@pytest.mark.parametrize("name", [one.name for one in PAGES])
def test_every_page_opens_and_is_open_to_everybody(sample_address, page, root, name):
    """A page answers, says no error, keeps its headings in order, fits a phone, and has no barrier for axe, light and dark."""
    pictures = root / "artefacts" / "pages"
    pictures.mkdir(parents=True, exist_ok=True)
    page.emulate_media(color_scheme="light")
    page.goto(f"{sample_address}/{name}?as_of={AS_OF}")
    settled(page)
    assert page.locator('[data-testid="stException"]').count() == 0
    found = levels(page)
    assert found[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(found)), found
    grounds = set()
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        page.wait_for_timeout(400)
        grounds.add(ground(page))
        assert barriers(page) == [], theme
        page.screenshot(path=pictures / f"{name}-{theme}.png", full_page=True)
    assert len(grounds) == 2, "the page did not follow the colour scheme"
    page.set_viewport_size({"width": 420, "height": 900})
    page.wait_for_timeout(400)
    wide = page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth")
    assert wide <= 420


def test_an_earlier_day_is_carried_by_the_links(sample_address, page):
    """A page opened as of an earlier day says so, and so does the page a link leads to."""
    page.goto(f"{sample_address}/?as_of=2025-06-30")
    page.get_by_text("As it was on 30 Jun 2025").wait_for(timeout=90_000)
    page.get_by_role("button", name="open alerts").click()
    page.get_by_role("heading", name="Alerts", exact=True).wait_for(timeout=30_000)
    page.get_by_text("As it was on 30 Jun 2025").wait_for()
    assert "as_of=2025-06-30" in page.url


def test_no_table_offers_its_cells_as_they_stand(sample_address, page):
    """Streamlit's own download would hand a spreadsheet a formula that somebody typed as a note; search is still there."""
    page.goto(f"{sample_address}/history?as_of={AS_OF}")
    settled(page)
    page.hover('[data-testid="stDataFrame"]')
    page.get_by_role("button", name="Search").first.wait_for(state="visible")
    assert page.locator('button[aria-label^="Download"]').count() > 0  # else nothing is hidden, and the style is for nothing
    assert not page.locator('button[aria-label^="Download"]').first.is_visible()
