"""What every test may ask for, and the loud word at the end where tests that need Chromium were left out."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
BROWSER_REQUIRED = "STEADYCOUNT_BROWSER_REQUIRED"
LEFT_OUT = "left out: no Chromium on this machine"


def chromium_path() -> str | None:
    """Where Chromium is: ``STEADYCOUNT_CHROMIUM``, else the first of its usual names on the path, else None."""
    named = os.environ.get("STEADYCOUNT_CHROMIUM")
    if named:
        return named if Path(named).is_file() else None
    return next((found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Leave a browser test out where there is no Chromium, or fail it where one is required."""
    if item.get_closest_marker("browser") is None or chromium_path() is not None:
        return
    if os.environ.get(BROWSER_REQUIRED) == "1":
        pytest.fail(f"no Chromium was found, and {BROWSER_REQUIRED}=1 says that there must be one", pytrace=False)
    pytest.skip(LEFT_OUT)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say loudly how many browser tests were left out, so that a green run is not taken for a whole one."""
    left_out = [one for one in terminalreporter.stats.get("skipped", []) if LEFT_OUT in str(one.longrepr)]
    if left_out:
        terminalreporter.section("NOT EVERYTHING WAS TESTED", sep="!", red=True, bold=True)
        terminalreporter.write_line(
            f"{len(left_out)} tests need Chromium and were LEFT OUT, because there is none on this machine.", red=True, bold=True)
        for one in left_out:
            terminalreporter.write_line(f"  {one.nodeid}")
        terminalreporter.write_line(
            f"Install it (Debian: `apt-get install chromium`) and run again; with {BROWSER_REQUIRED}=1 its absence is a failure.")


@pytest.fixture(scope="session")
def root() -> Path:
    """The work tree."""
    return ROOT
