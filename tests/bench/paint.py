"""First paint of every page in Chromium: ``python -m tests.bench.paint --store PATH``.

Each page is opened once in a browser that has never been there, and once more in the same one. Printed in seconds from the
start of the navigation: ``paint``, the first contentful paint by the browser's own Performance API; ``heading``, until the page's
own heading stands, which the server has sent; ``whole``, until the server has run all of the page. The exit code is 1 where a
paint is above ``--limit``.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from shutil import copy
from typing import Any

from dashboard.pages import PAGES
from tests.bench.score_common import say
from tests.conftest import FLAGS, chromium_path

LIMIT_S = 2.5
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"


def opened(page: Any, address: str) -> dict[str, float]:
    """One visit, s."""
    begin = time.monotonic()
    page.goto(address, wait_until="commit")
    page.locator("h1").first.wait_for(timeout=60_000)
    heading = time.monotonic() - begin
    page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for(timeout=60_000)
    whole = time.monotonic() - begin
    return {"paint": page.evaluate(PAINTED) / 1000, "heading": heading, "whole": whole}


def visits(address: str) -> float:
    """Open all pages, print, and give the longest first paint."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=list(FLAGS))
        page = browser.new_page()
        page.goto(address)
        page.locator(".stPlotlyChart").first.wait_for(timeout=300_000)  # the answer is there
        page.close()
        say(f"{'page':<14}" + "".join(f"{name:>16}" for name in ("paint", "heading", "whole")) + "   (new, again; s)")
        found: list[dict[str, float]] = []
        for one in PAGES:
            with browser.new_context(viewport={"width": 1280, "height": 900}) as context:
                rows = []
                for _ in range(2):
                    page = context.new_page()
                    rows.append(opened(page, f"{address}/{one.name if one is not PAGES[0] else ''}"))
                    page.close()
            found += rows
            say(f"{one.name:<14}" + "".join(f"{rows[0][name]:>10.2f}{rows[1][name]:>6.2f}" for name in rows[0]))
        browser.close()
    slow = max(one["paint"] for one in found)
    say(f"median: paint {statistics.median(one['paint'] for one in found):.2f}, "
        f"heading {statistics.median(one['heading'] for one in found):.2f}; longest paint {slow:.2f}")  # fmt: skip
    return slow


def main() -> int:
    """Serve a copy of the store, and open its pages."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--store", type=Path, required=True)
    parser.add_argument("--limit", type=float, default=LIMIT_S)
    given = parser.parse_args()
    say(f"load average before: {os.getloadavg()[0]:.2f}")
    with tempfile.TemporaryDirectory(prefix="steadycount-paint-") as folder:
        store = copy(given.store, Path(folder) / "fleet.duckdb")
        command = [sys.executable, "-m", "dashboard.commands", "open", "--no-browser", "--port", "0", "--store", str(store)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
            try:
                assert server.stdout is not None
                slow = visits(server.stdout.readline().strip())
            finally:
                server.terminate()
    say(f"load average after: {os.getloadavg()[0]:.2f}")
    return int(slow > given.limit)


if __name__ == "__main__":
    sys.exit(main())
