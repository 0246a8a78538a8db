"""kill -9 of a watch at any moment: every row of every file is stored once, and every file ends up moved, once."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time

from analytics.records.check_store import check_store
from analytics.records.load import load_files
from analytics.records.reader import snapshot
from analytics.records.watched import How, take_all, watched

KILLS = int(os.environ.get("STEADYCOUNT_KILLS", "3"))  # 300 in the nightly mode
HEAD = "probe,taken_at,window,measurement,counts,count_time_s,source\n"
WATCH = """
import sys
from pathlib import Path
from analytics.records.watched import How, take_all, watched
folder, store = map(Path, sys.argv[1:])
with watched(folder, store) as place:
    print("ready", flush=True)
    while True:
        ready, _ = place.look()
        for one in take_all(store, place, ready, How("victim"), str):
            print(one.file, flush=True)
"""


def test_a_killed_watch_loses_and_doubles_nothing(tmp_path, root):
    """Files keep appearing while watches are killed; at the end the counts of rows and files are exact."""
    store, folder, chance = tmp_path / "s.duckdb", tmp_path / "in", random.Random(11)
    folder.mkdir()
    (tmp_path / "probes.csv").write_text("probe,site\nGP-001,North\n")
    (tmp_path / "sources.csv").write_text("source,nuclide,reference_at\nCK-1,Co-57,2000-01-01\n")
    load_files(store, [tmp_path / "probes.csv", tmp_path / "sources.csv"], by="t", create=True)
    written = 0
    for _ in range(KILLS):
        for _ in range(8):
            day = f"20{10 + written // 336:02d}-{1 + written // 28 % 12:02d}-{1 + written % 28:02d}"
            rows = "".join(f"GP-001,{day} 08:{m:02d},Co-57,source,{m},10,CK-1\n" for m in range(20))
            part = folder / f"log{written}.csv.part"
            part.write_text(HEAD + rows)
            part.rename(folder / f"log{written}.csv")
            written += 1
        victim = subprocess.Popen(
            [sys.executable, "-c", WATCH, str(folder), str(store)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=root,
            env={**os.environ, "PYTHONPATH": str(root)},
        )
        assert victim.stdout is not None
        assert victim.stdout.readline() == "ready\n"
        time.sleep(chance.uniform(0, 0.8))
        victim.send_signal(signal.SIGKILL)
        victim.wait()
        victim.stdout.close()
    with watched(folder, store) as place:
        place.look()
        ready, _ = place.look()
        assert all(one.outcome == "done" for one in take_all(store, place, ready, How("t"), str))
    names = sorted(one.name for one in (folder / "done").iterdir() if one.suffix == ".csv")
    assert names == sorted(f"log{number}.csv" for number in range(written))
    assert [one for one in folder.iterdir() if one.is_file() and not one.name.startswith(".")] == []
    readings = snapshot(store).readings
    assert len(readings) == 20 * written
    assert not readings.duplicated(["probe", "taken_at", "measurement", "repeat"]).any()
    assert check_store(store) == []
