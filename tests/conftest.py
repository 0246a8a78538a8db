"""What every test may ask for, and the loud word at the end where tests that need Chromium or nginx were left out."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

os.environ["STEADYCOUNT_CHECK_FIGURES"] = "1"  # of every figure that a test draws (``dashboard/figures/sheet.py``)
ROOT = Path(__file__).resolve().parent.parent
LEFT_OUT = "left out: no {} on this machine"
NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)


def chromium_path() -> str | None:
    """Where Chromium is: ``STEADYCOUNT_CHROMIUM``, else the first of its usual names on the path, else None."""
    named = os.environ.get("STEADYCOUNT_CHROMIUM")
    if named:
        return named if Path(named).is_file() else None
    return next((found for name in NAMES if (found := shutil.which(name))), None)


def nginx_path() -> str | None:
    """Where nginx is: ``STEADYCOUNT_NGINX``, else on the path or where Debian has it, else None."""
    named = os.environ.get("STEADYCOUNT_NGINX")
    if named:
        return named if Path(named).is_file() else None
    return shutil.which("nginx", path=os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin")))


@dataclass(frozen=True)
class Need:
    """A program that some tests need: how it is found, what says that it must be there, and what brings it."""

    name: str
    found: Callable[[], str | None]
    required: str
    package: str


NEEDS = {  # by the marker of the tests
    "browser": Need("Chromium", chromium_path, "STEADYCOUNT_BROWSER_REQUIRED", "chromium"),
    "proxy": Need("nginx", nginx_path, "STEADYCOUNT_PROXY_REQUIRED", "nginx-light"),
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the tests of a file in one worker, where they share what is dear to make, and all browser tests in one."""
    for item in items:
        group = "browser" if item.get_closest_marker("browser") else str(item.path)
        item.add_marker(pytest.mark.xdist_group(group))


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Leave a test out where there is no Chromium or nginx for it, or fail it where one is required."""
    for marker, need in NEEDS.items():
        if item.get_closest_marker(marker) is None or need.found() is not None:
            continue
        if os.environ.get(need.required) == "1":
            pytest.fail(f"no {need.name} was found, and {need.required}=1 says that there must be one", pytrace=False)
        pytest.skip(LEFT_OUT.format(need.name))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say loudly how many tests were left out for want of a program, so that a green run is not taken for a whole one."""
    for need in NEEDS.values():
        said = LEFT_OUT.format(need.name)
        left_out = [one for one in terminalreporter.stats.get("skipped", []) if said in str(one.longrepr)]
        if not left_out:
            continue
        terminalreporter.section("NOT EVERYTHING WAS TESTED", sep="!", red=True, bold=True)
        terminalreporter.write_line(
            f"Tests that need {need.name} and were LEFT OUT, because there is none on this machine: {len(left_out)}",
            red=True,
            bold=True,
        )
        for one in left_out:
            terminalreporter.write_line(f"  {one.nodeid}")
        terminalreporter.write_line(
            f"Install it (Debian: `apt-get install {need.package}`) and run again; "
            f"with {need.required}=1 its absence is a failure."
        )


@pytest.fixture(scope="session")
def root() -> Path:
    """The work tree."""
    return ROOT


@pytest.fixture(scope="session", autouse=True)
def _tidy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Temporary folders of the tests and of what they call lie with the run's others, of which pytest keeps the last three."""
    tempfile.tempdir = str(tmp_path_factory.mktemp("temporary"))
    yield
    tempfile.tempdir = None


@pytest.fixture(autouse=True)
def _at_home(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Keep the tests out of the person's own folders, and the person's settings out of the tests."""
    for name in ("STEADYCOUNT_STORE", "STEADYCOUNT_CONFIG", "STEADYCOUNT_BY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("STEADYCOUNT_LOG", str(tmp_path_factory.getbasetemp() / "failures.log"))
    if access := sys.modules.get("analytics.records.access"):  # not imported here: this file also runs on its own
        access.act_as(None)  # whoever acted last in this thread is gone


@pytest.fixture
def serve() -> Iterator[Callable[..., str]]:
    """A function that opens the dashboard on a store and gives its address; all are closed at the end of the test."""
    with servers() as start:
        yield start


@pytest.fixture(scope="session")
def sample_address() -> Iterator[str]:
    """The dashboard on the demo's sample, one for all tests that only look."""
    from tests.browser.sample import store

    with servers() as start:
        yield start(store())


@contextmanager
def servers() -> Iterator[Callable[..., str]]:
    """A function that opens the dashboard on a store and gives its address; all are closed at the end of the block."""
    running: list[subprocess.Popen[str]] = []

    def start(store: Path, *options: str, **environment: str) -> str:
        port = () if "--port" in options else ("--port", "0")
        process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.commands", "open", "--no-browser", *port, "--store", str(store), *options],
            cwd=store.parent,
            env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        running.append(process)
        late = threading.Timer(90, process.kill)
        late.start()
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        late.cancel()
        if not address.startswith("http://127.0.0.1:"):
            process.kill()
            pytest.fail(f"the dashboard did not say its address but {address!r}; {process.communicate()[1][-2000:]}")
        threading.Thread(target=_drain, args=(process,), daemon=True).start()
        return address

    try:
        yield start
    finally:
        _end(running)


def _end(running: list[subprocess.Popen[str]]) -> None:
    """Close all, the patient way first."""
    for process in running:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        for stream in (process.stdout, process.stderr):
            if stream is not None:
                stream.close()


def _drain(process: subprocess.Popen[str]) -> None:
    """Read what the server writes, so that a full pipe never stops it."""
    if process.stderr is not None:
        try:
            for _ in process.stderr:
                pass
        except ValueError:  # closed meanwhile
            return


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Debian's Chromium under Playwright, one for the tests of a file."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    """A page that fails its test at the end for an error in its log, or a request to anywhere but this machine."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    opened = context.new_page()
    wrong: list[str] = []
    opened.on("pageerror", lambda error: wrong.append(f"error on the page: {error}"))
    opened.on("console", lambda line: wrong.append(f"console: {line.text}") if line.type == "error" else None)
    opened.on(
        "request",
        lambda request: None
        if request.url.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:"))
        else wrong.append(f"outside request: {request.url}"),
    )
    yield opened
    context.close()
    assert not wrong, "\n".join(wrong)
