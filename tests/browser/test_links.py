"""Every page opened by its link in a browser that was never here: the same choices, and what follows from them."""

from __future__ import annotations

import re
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest

from dashboard.pages import PAGES
from tests.browser.sample import AS_OF

pytestmark = [pytest.mark.browser, pytest.mark.slow]

# By page: the choices in its address, and what stands on it by each of them.
VIEWS = {
    "fleet": ({"status": "pull in", "site": "Quillmere General"}, [r"^\d+ probes? chosen$"]),
    "alerts": ({"site": "Ostrelm Breast Centre"}, [r"happenings? open"]),
    "probe": ({"probe": "QU-05", "span": "1 year", "with": "QU-04"}, [r"QU-05: ", r"QU-04: Response"]),
    "sources": ({"kind": "jigs", "name": "JIG-Q1"}, [r"JIG-Q1: "]),
    "plan": ({"from": "2026-01-01", "to": "2026-02-01", "site": "Havenrook Day Surgery"}, [r"from 1 Jan 2026 to 1 Feb 2026"]),
    "record": ({"probe": "QU-05"}, [r"^Expect .* counts in"]),
    "other_checks": ({"part": "On record", "text": "QU-05"}, [r"\d+ entr\w+. A mistaken one"]),
    "import_log": ({"part": "Loads"}, [r"Mark one to take it back"]),
    "report": ({"part": "Look back", "back": "QU-05"}, [r"the last check that was good"]),
    "history": ({"part": "Is it whole?"}, [r"whole|chain"]),
    "replay": ({}, [r"Replay these records"]),
    "price": ({"budget": "0.2", "cadence": "30"}, [r"0\.2"]),
    "settings": ({"section": "limits"}, [r"limits\.tolerance_pct"]),
    "people": ({}, [r"."]),
    "about": ({}, [r"decision aid|does not clear"]),
}


@pytest.mark.parametrize("name", [one.name for one in PAGES])
def test_a_view_is_restored_by_its_link(sample_address, chromium, name):
    """In a new browser each choice stands in the address still, and the page shows what was chosen, without an error."""
    choices, shown = VIEWS[name]
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    try:
        page = context.new_page()
        page.goto(f"{sample_address}/{name}?{urlencode({**choices, 'as_of': AS_OF})}")
        for text in shown:
            page.locator('[data-testid="stMain"]').get_by_text(re.compile(text)).first.wait_for(state="attached", timeout=60_000)
        page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for(timeout=60_000)
        assert page.locator('[data-testid="stException"]').count() == 0
        kept = parse_qs(urlsplit(page.url).query)
        assert {key: kept.get(key) for key in choices} == {key: [value] for key, value in choices.items()}
        assert kept["as_of"] == [AS_OF]
    finally:
        context.close()
