"""kill -9 at any moment: the store opens, holds all of a load or none of it, and nothing is lost or doubled."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from datetime import datetime

import pytest

from analytics.records.check_store import check_store
from analytics.records.load import load_files
from analytics.records.reader import snapshot
from analytics.records.store import Store, revision, revision_in
from analytics.records.undo import loads

KILLS = int(os.environ.get("STEADYCOUNT_KILLS", "6"))  # 300 in the nightly mode
NOW = datetime(2024, 6, 1, 12)
ROWS = 4000
WORK = """
import sys
from datetime import datetime
from analytics.records.load import load_files
from analytics.records.undo import loads, undo
store, log = sys.argv[1:]
print("ready", flush=True)
while True:
    report = load_files(store, [log], by="victim", now=datetime(2024, 6, 1, 12))
    print("loaded", flush=True)
    newest = loads(store).iloc[0]
    if newest["undone_at"] != newest["undone_at"]:
        undo(store, int(newest["load"]), by="victim")
    print("undone", flush=True)
"""


@pytest.fixture
def store(tmp_path):
    """A store with registries and a hundred readings, and a log of 4,000 more."""
    (tmp_path / "probes.csv").write_text("probe,site\nGP-001,North\n")
    (tmp_path / "sources.csv").write_text("source,nuclide,reference_at\nCK-1,Co-57,2000-01-01\n")
    head = "probe,taken_at,window,measurement,counts,count_time_s,source\n"

    def rows(year: int, count: int) -> str:
        return head + "".join(
            f"GP-001,{year}-{1 + i // 1000 % 12:02d}-{1 + i % 28:02d}"
            f" {i // 60 % 24:02d}:{i % 60:02d},Co-57,source,{i},{1 + i % 9},CK-1\n"
            for i in range(count)
        )

    (tmp_path / "kept.csv").write_text(rows(2020, 100))
    (tmp_path / "log.csv").write_text(rows(2021, ROWS))
    load_files(
        tmp_path / "s.duckdb",
        [tmp_path / one for one in ("probes.csv", "sources.csv", "kept.csv")],
        by="t",
        now=NOW,
        create=True,
    )
    return tmp_path / "s.duckdb"


def test_killed_loads_and_undos_leave_all_or_nothing(store, root):
    """After each kill the readings number 100 or 4,100, revision and sidecar agree, and the check finds nothing."""
    chance = random.Random(7)
    seen: set[int] = set()
    for _ in range(KILLS):
        victim = subprocess.Popen(
            [sys.executable, "-c", WORK, str(store), str(store.parent / "log.csv")],
            stdout=subprocess.PIPE,
            text=True,
            cwd=root,
            env={**os.environ, "PYTHONPATH": str(root)},
        )
        assert victim.stdout is not None
        for _ in range(chance.randint(1, 3)):
            victim.stdout.readline()
        time.sleep(chance.uniform(0, 0.5))
        victim.send_signal(signal.SIGKILL)
        victim.wait()
        victim.stdout.close()
        with Store(store).reading() as con:
            true_revision = revision_in(con)
        assert revision(store) == true_revision
        records = snapshot(store)
        assert len(records.readings) in (100, 100 + ROWS)
        assert not records.readings.duplicated(["probe", "taken_at", "window", "measurement", "repeat"]).any()
        assert check_store(store) == []
        seen.add(len(records.readings))
    standing = loads(store)
    assert standing["undone_at"].isna().sum() == 1 + (len(snapshot(store).readings) > 100)
    report = load_files(store, [store.parent / "log.csv"], by="t", now=NOW)
    assert report.stored + report.already_there == ROWS
    assert len(snapshot(store).readings) == 100 + ROWS
