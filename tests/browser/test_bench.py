"""The bench in Chromium: a scanner types and ends with Enter, the verdict follows the keys, the draft survives."""

from __future__ import annotations

import re

import pytest

from tests.dashboard import real_store

pytestmark = pytest.mark.browser


def expected(page) -> int:
    """The number in "Expect … counts"."""
    heading = page.get_by_role("heading", name=re.compile("^Expect"))
    heading.wait_for(timeout=90_000)
    return int("".join(one for one in heading.inner_text().split("counts")[0] if one.isdigit()))


def test_scan_count_and_read_the_verdict_while_typing(serve, page, tmp_path):
    """A scanned code and Enter open the probe; the verdict follows the keys; a bad count asks for a repeat."""
    address = serve(real_store.store(tmp_path))
    page.goto(f"{address}/record")
    scan = page.get_by_label("Probe", exact=True)
    scan.wait_for(timeout=60_000)
    scan.press_sequentially(real_store.SOUND, delay=5)
    scan.press("Enter")
    usual = expected(page)
    box = page.get_by_label("On the source")
    box.press_sequentially(str(usual), delay=20)
    page.get_by_role("status").get_by_text("● as expected").wait_for(timeout=15_000)
    box.fill(str(round(usual * 0.6)))
    page.get_by_role("status").get_by_text("▼ beyond tolerance").wait_for(timeout=15_000)
    page.get_by_label("Seated again, second placement").wait_for()


def test_a_draft_survives_a_reload_and_the_end_of_the_server(serve, page, tmp_path):
    """What was typed is there after a reload, and on another server opened on the same store."""
    store = real_store.store(tmp_path)
    address = serve(store)
    page.goto(f"{address}/record?probe={real_store.SOUND}")
    expected(page)
    page.get_by_label("On the source").press_sequentially("777", delay=20)
    page.wait_for_url(re.compile("draft="), timeout=15_000)
    page.reload()
    box = page.get_by_label("On the source")
    box.wait_for(timeout=60_000)
    assert box.input_value() == "777"
    link = page.url.removeprefix(address)
    other = serve(store)
    page.goto(f"{other}{link}")
    box = page.get_by_label("On the source")
    box.wait_for(timeout=90_000)
    assert box.input_value() == "777"


def test_while_cut_off_the_page_says_that_typing_pauses(serve, page, tmp_path):
    """The line about a lost connection is hidden while connected, and shown once the page knows that it is not."""
    address = serve(real_store.store(tmp_path))
    page.goto(f"{address}/record?probe={real_store.SOUND}")
    expected(page)
    line = page.get_by_text("typing pauses until it is back")
    assert not line.is_visible()
    page.evaluate("document.querySelector('[data-test-connection-state]').dataset.testConnectionState = 'CONNECTING'")
    line.wait_for(timeout=5_000)


SMALL = """() => [...document.querySelectorAll(
  '[class*=st-key-scan] [data-testid=stTextInputRootElement], [class*=st-key-setup] .react-aria-ComboBox > div, ' +
  '[class*=st-key-bench] [data-testid=stTextInputRootElement], [class*=st-key-bench] button, [class*=st-key-bench] summary, ' +
  '[class*=st-key-save] button, [class*=st-key-save] [data-testid=stTextInputRootElement]'
)].map(one => [one.innerText.slice(0, 30), Math.round(one.getBoundingClientRect().height)])"""


def test_what_is_touched_at_the_bench_is_large_enough_for_gloves(serve, page, tmp_path):
    """On a tablet every box, choice and button of the form is 44 pixels high or more (the enhanced target size of WCAG 2.2, 2.5.5: from memory)."""
    page.set_viewport_size({"width": 820, "height": 1180})
    page.goto(f"{serve(real_store.store(tmp_path))}/record?probe={real_store.SOUND}")
    expected(page)
    page.get_by_text("Window check and side reading").click()
    page.get_by_label("Window below the peak").wait_for()
    heights = page.evaluate(SMALL)
    assert len(heights) >= 15
    assert [one for one in heights if 0 < one[1] < 44] == []
