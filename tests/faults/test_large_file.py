"""A file of 200 MB: progress is told, memory stays bounded, every row is there."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import numpy as np
import pytest

LOAD = """
import json, resource, sys
from datetime import datetime
from analytics.records.load import load_files
seen = []
report = load_files(sys.argv[1], sys.argv[2:], by="t", now=datetime(2030, 1, 1), create=True, progress=lambda what, done: seen.append(done))
print(json.dumps({"stored": report.stored, "held": report.held_count, "steps": len(seen),
                  "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""


@pytest.mark.slow
def test_a_file_of_200_mb_loads_with_progress_and_bounded_memory(tmp_path, root):
    """2.9 million rows, one in 400,000 of them bad: stored and held add up, in less than 1.8 GB."""
    (tmp_path / "probes.csv").write_text("probe,site\n" + "".join(f"GP-{i:04d},North\n" for i in range(100)))
    (tmp_path / "sources.csv").write_text("source,nuclide,reference_at\nCK-1,Co-57,2000-01-01\n")
    rng = np.random.default_rng(3)
    rows, bad = 0, 0
    with (tmp_path / "log.csv").open("w") as stream:
        stream.write("probe,taken_at,window,measurement,counts,count_time_s,source,repeat,jig,operator,temperature_c\n")
        for probe in range(100):
            times = np.datetime64("2000-01-01T08:00:00") + np.arange(29_000) * np.timedelta64(6, "h")
            counts = rng.poisson(12_000, len(times)).astype(str)
            if probe % 14 == 0:
                counts[7], bad = "-1", bad + 1
            stream.write(
                "".join(
                    f"GP-{probe:04d},{at},Co-57,source,{count},10,CK-1,1,J-{probe % 3},anna,21.5\n"
                    for at, count in zip(np.datetime_as_string(times, unit="s"), counts, strict=True)
                )
            )
            rows += len(times)
    assert (tmp_path / "log.csv").stat().st_size > 200e6
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            LOAD,
            str(tmp_path / "s.duckdb"),
            *(str(tmp_path / f"{one}.csv") for one in ("log", "probes", "sources")),
        ],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=True,
    )
    said = json.loads(done.stdout)
    assert (said["stored"], said["held"]) == (rows + 101 - bad, bad)
    assert said["steps"] > 20
    assert said["peak_mb"] < 1800
