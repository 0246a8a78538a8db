"""``watch``: one run for a scheduler, the endless one with its clean end, and what it refuses."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

from tests.commands.cli import ROOT, document, run, said_in_one_line


def test_once_takes_what_is_there_and_tells_it_as_one_document(loaded, store, readings_file, tmp_path):
    """Exit 3 where anything is held, 0 where nothing is; the counts of each file add up to its rows."""
    folder = tmp_path / "in"
    folder.mkdir()
    readings_file({}, {"taken_at": "2024-04-03", "counts": -1}).rename(folder / "more.csv")
    result = run("watch", folder, "--once", "--interval", 0.05, "--store", store, "--by", "w", "--json")
    (one,) = document(result)["files"]
    assert (result.exit_code, one["outcome"], one["file"]) == (3, "held", "more.csv")
    assert one["stored"] + one["already_there"] + one["held"] == one["rows"] == 2
    assert "held: " in result.stderr
    again = run("watch", folder, "--once", "--interval", 0.05, "--store", store)
    assert (again.exit_code, again.stdout) == (0, "")


def test_a_folder_or_an_interval_that_cannot_be_is_refused(store, tmp_path):
    """One line each, and nothing is made."""
    assert "there is no such folder" in said_in_one_line(run("watch", tmp_path / "no", "--store", store))
    assert "no interval" in said_in_one_line(run("watch", tmp_path, "--interval", 0, "--store", store))
    assert "no column map" in said_in_one_line(run("watch", tmp_path, "--map", "mine", "--store", store))
    assert not (tmp_path / "done").exists()


def test_it_watches_until_it_is_stopped(store, readings_file, tmp_path):
    """A file that appears later is taken; a service's stop ends it with 0 and without a traceback."""
    folder = tmp_path / "in"
    folder.mkdir()
    watcher = subprocess.Popen(
        [sys.executable, "-m", "dashboard.commands", "watch", str(folder), "--interval", "0.05", "--store", str(store)],
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert watcher.stderr is not None
    assert watcher.stderr.readline().startswith("Watching ")
    readings_file({}).rename(folder / "more.csv")
    assert "1 stored" in watcher.stderr.readline()
    watcher.send_signal(signal.SIGTERM)
    rest = watcher.stderr.read()
    watcher.stderr.close()
    assert (watcher.wait(30), rest) == (0, "")
    assert sorted(one.name for one in (folder / "done").iterdir()) == ["more.csv", "more.csv.report.txt"]
