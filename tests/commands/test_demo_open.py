"""``steadycount demo`` and ``open``: a fleet to look at, and the dashboard that answers."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import urllib.request
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.commands import demo as demo_command
from tests.commands.cli import ROOT, document, run, said_in_one_line


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A demo store."""
    store = tmp_path_factory.mktemp("demo") / "demo.duckdb"
    result = run("demo", "--only-load", "--store", store)
    assert result.exit_code == 0, result.stderr
    return store


def yesterday() -> date:
    """The day before today on the site's clock, which is UTC as shipped."""
    return datetime.now(UTC).date() - timedelta(days=1)


def newest(store: Path) -> str:
    """The day of the newest charted check."""
    answer = document(run("assess", "--json", "--store", store))
    return max(one["latest_at"] for one in answer["series"] if one["latest_at"])[:10]


def test_the_demo_ends_yesterday_and_is_sound(demo):
    """The newest check is of yesterday, no row is held, and the store is sound."""
    assert newest(demo) == yesterday().isoformat()
    assert document(run("held", "--store", demo, "--json"))["held"] == []
    assert run("check-store", "--store", demo).exit_code == 0


def test_the_demo_shows_fit_probes_and_faulty_ones(demo):
    """Some forty probes on three sites: most are fit, and the others need something, with more than one cause."""
    probes = document(run("assess", "--json", "--store", demo))["probes"]
    assert 30 <= len(probes) <= 60
    assert sum(one["advice"] == "use" for one in probes) >= len(probes) / 3
    assert len({one["cause"] for one in probes} - {"none", "unknown"}) >= 3


def test_the_same_day_again_changes_nothing(demo):
    """A demo store of today is opened as it is."""
    before = demo.stat().st_mtime_ns
    assert run("demo", "--only-load", "--store", demo).exit_code == 0
    assert demo.stat().st_mtime_ns == before


def test_a_demo_of_an_earlier_day_is_made_anew(tmp_path):
    """A store that holds an older demo and nothing else becomes today's."""
    store = tmp_path / "old.duckdb"
    demo_command._make(store, yesterday() - timedelta(days=8))
    assert newest(store) < yesterday().isoformat()
    assert run("demo", "--only-load", "--store", store).exit_code == 0
    assert newest(store) == yesterday().isoformat()
    assert sorted(one.name for one in tmp_path.iterdir() if one.suffix not in {".lock", ".rev"}) == ["old.duckdb"]


def test_a_store_that_holds_anything_else_is_refused(store):
    """The demo never mixes with somebody's own records."""
    before = store.read_bytes()
    assert "something else" in said_in_one_line(run("demo", "--only-load", "--store", store))
    assert store.read_bytes() == before


def test_a_port_that_is_taken_is_said(loaded):
    """A port asked for that another has is not silently replaced."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        line = said_in_one_line(run("open", "--no-browser", "--port", port, "--store", loaded))
    assert str(port) in line


def test_open_prints_one_line_when_it_answers_and_ends_with_ctrl_c(loaded):
    """One line with the address on standard output, then it answers; Ctrl-C ends it with 0 and no traceback."""
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.commands", "open", "--no-browser", "--port", "0", "--store", str(loaded)],
        cwd=loaded.parent,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        address = process.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        with urllib.request.urlopen(f"{address}/_stcore/health", timeout=10) as answer:
            assert answer.read() == b"ok"
        process.send_signal(signal.SIGINT)
        rest, said = process.communicate(timeout=30)
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()
    assert process.returncode == 0, said
    assert rest == ""
    assert "Traceback" not in said


def test_new_makes_an_empty_store_to_begin_with(tmp_path, monkeypatch):
    """``open --new`` makes the store, so that the first log can come in through the Import page."""
    from dashboard.commands import serve

    monkeypatch.setattr(serve, "serve", lambda *_arguments, **_options: 0)
    store = tmp_path / "first.duckdb"
    assert run("open", "--new", "--no-browser", "--store", store).exit_code == 0
    assert document(run("undo", "--store", store, "--json")) == {"loads": []}
