"""The main path of each of the five who look: from the start to the answer they came for in at most three clicks."""

from __future__ import annotations

import re

import pytest

from tests.conftest import servers
from tests.dashboard import real_store

pytestmark = [pytest.mark.browser, pytest.mark.slow]
MOST = 3


@pytest.fixture(scope="module")
def address():
    """The dashboard on the store of five probes, one of which loses response."""
    with servers() as start:
        yield start(real_store.shared())


@pytest.fixture
def visit(address, page):
    """The start page, and a function that clicks and counts; the count is checked at the end."""
    page.goto(address)
    page.get_by_role("heading", name="Fleet", exact=True).wait_for(timeout=60_000)
    clicks = []

    def click(locator):
        locator.first.click(timeout=30_000)
        clicks.append(locator)

    yield page, click
    assert len(clicks) <= MOST


def menu(page, group, name):
    """A page of the navigation that stands under a word of it: the word, and the page."""
    return page.get_by_role("button", name=group), page.get_by_role("menuitem", name=re.compile(f"{name}$"))


def test_a_technician_reaches_the_bench_of_a_probe(visit):
    """Is this one fit for today: the bench, its probe by its scanned code, and the number to expect."""
    page, click = visit
    click(page.get_by_role("link", name="Record a check"))
    scan = page.get_by_label("Probe", exact=True)
    scan.wait_for(timeout=30_000)
    scan.press_sequentially(real_store.SOUND)
    scan.press("Enter")
    page.get_by_role("heading", name=re.compile("^Expect .* counts")).wait_for(timeout=30_000)


def test_a_physicist_reaches_what_drifts_and_why(visit):
    """Which are drifting, why, since when, how sure: all on the alert; its probe with the forecast one click on."""
    page, click = visit
    click(page.get_by_role("button", name="open alerts"))
    page.get_by_role("heading", name=re.compile(real_store.FALLING)).first.wait_for(timeout=30_000)
    for said in ("It probably began about", "First signalled on", "loss of efficiency"):
        page.get_by_text(said).first.wait_for(timeout=30_000)
    click(page.get_by_role("link", name="Open the probe"))
    page.locator(".st-key-story .point").first.wait_for(timeout=30_000)


def test_an_engineer_reaches_the_visits(visit):
    """What do I pull in, when, with what spare: on the plan, and as a file for the calendar."""
    page, click = visit
    click(page.get_by_role("link", name="Service plan"))
    page.get_by_role("heading", name="What cannot wait its turn").wait_for(timeout=60_000)
    page.get_by_role("heading", name="Spares on loan").wait_for(timeout=30_000)
    with page.expect_download(timeout=30_000) as file:
        click(page.get_by_role("button", name="Visits as calendar"))
    assert file.value.suggested_filename == "service-plan.ics"


def test_a_head_of_department_reads_the_answer_and_prints_it(visit):
    """Are we safe and compliant: in the first sentence of the start page; on paper after three clicks."""
    page, click = visit
    page.get_by_text(re.compile(r"\d of 5 probes (is|are) fit")).wait_for(timeout=30_000)
    page.get_by_role("button", name=re.compile("checks on time")).wait_for(timeout=30_000)
    word, report = menu(page, "Records", "Report")
    click(word)
    click(report)
    with page.expect_download(timeout=60_000) as file:
        click(page.get_by_role("button", name="PDF to print and sign"))
    assert file.value.suggested_filename.endswith(".pdf")


def test_an_inspector_sees_who_changed_what(visit):
    """Show me: the history with its first load, and whether it is whole."""
    page, click = visit
    word, history = menu(page, "Records", "History")
    click(word)
    click(history)
    page.get_by_text("A. Lind").first.wait_for(state="attached", timeout=30_000)
    click(page.get_by_text("Is it whole?"))
    page.get_by_text(re.compile("whole|chain|sound")).nth(1).wait_for(state="attached", timeout=30_000)
