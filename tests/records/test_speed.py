"""The log of a hospital group loads while one watches."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np


def write_log(folder: Path) -> int:
    """60 probes, 3 years, 18,700 countings with their registries; returns the number of rows of all files."""
    rng = np.random.default_rng(5)
    sites = ("North", "South", "West")
    (folder / "probes.csv").write_text("probe,site\n" + "".join(f"GP-{i:03d},{sites[i % 3]}\n" for i in range(1, 61)))
    (folder / "sources.csv").write_text(
        "source,nuclide,reference_at,activity_kbq\n" + "".join(f"CK-{one},Co-57,2021-01-01,3700\n" for one in "ABC")
    )
    (folder / "windows.csv").write_text("window,nuclide,centre_kev,width_pct,offset_pct\nCo-57,Co-57,122.06,20,10\n")
    lines = ["probe,taken_at,window,measurement,counts,count_time_s,source,jig,operator"]
    for i in range(18_700):
        probe, check = 1 + i % 60, i // 120
        at = np.datetime64("2021-01-04T07:30") + np.timedelta64(7 * check, "D") + np.timedelta64(2 * probe, "m")
        counts = rng.poisson(12_000 * 0.998**check if i // 60 % 2 else 30)
        kind, source = ("source", f"CK-{'ABC'[probe % 3]}") if i // 60 % 2 else ("background", "")
        lines.append(f"GP-{probe:03d},{at},Co-57,{kind},{counts},10,{source},J{1 + probe % 3},anna")
    (folder / "readings.csv").write_text("\n".join(lines))
    return 18_700 + 60 + 3 + 1


def test_a_groups_log_of_three_years_loads_in_under_ten_seconds(tmp_path, root):
    """The command as a person types it, start-up included, ends with 0 and every row stored."""
    rows = write_log(tmp_path)
    files = sorted(str(one) for one in tmp_path.glob("*.csv"))
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "dashboard.commands", "load", *files, "--store", str(tmp_path / "x.duckdb"), "--json"],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=False,
    )
    seconds = time.monotonic() - started
    assert done.returncode == 0, done.stderr
    assert sum(one["stored"] for one in json.loads(done.stdout)["files"]) == rows
    assert seconds < 10
