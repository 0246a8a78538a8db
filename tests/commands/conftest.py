"""A small log for the command line: six probes on one source, one of which loses 12 % a year; and a store of it."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.commands.cli import run

FIRST = datetime(2023, 1, 2, 7, 30)
WEEKS = 64
LAST = FIRST + timedelta(weeks=WEEKS - 1)
HALF_LIFE_DAYS = 271.74  # Co-57, ICRP 107
PROBES = tuple(f"GP-{n:03d}" for n in range(1, 7))
DRIFTING = "GP-006"
LOSS_PER_YEAR = 0.12


def write(path: Path, headings: str, rows: list[list[object]]) -> Path:
    """A CSV file."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(headings.split(","))
        writer.writerows(rows)
    return path


@pytest.fixture(scope="session")
def log(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The files of the log, by kind."""
    folder = tmp_path_factory.mktemp("log")
    rng = np.random.default_rng(57)
    rows: list[list[object]] = []
    for week in range(WEEKS):
        for number, probe in enumerate(PROBES):
            at = FIRST + timedelta(weeks=week, minutes=4 * number)
            days = (at - datetime(2023, 1, 1)).total_seconds() / 86400
            net_cps = 3000 * (1 + 0.05 * number) * 2 ** (-days / HALF_LIFE_DAYS) * (1 + 0.008 * rng.standard_normal())
            if probe == DRIFTING:
                net_cps *= (1 - LOSS_PER_YEAR) ** (days / 365.25)
            rows.append([probe, at.isoformat(), "Co-57", "background", rng.poisson(30), 10, "", "J1"])
            at += timedelta(minutes=1)
            rows.append([probe, at.isoformat(), "Co-57", "source", rng.poisson(10 * net_cps + 30), 10, "CK-A1", "J1"])
    return {
        "probes": write(folder / "probes.csv", "probe,site,detector", [[one, "North", "CdTe"] for one in PROBES]),
        "sources": write(
            folder / "sources.csv",
            "source,nuclide,reference_at,activity_kbq,activity_uncertainty_pct",
            [["CK-A1", "Co-57", "2023-01-01", 3000, 2.5]],
        ),
        "windows": write(
            folder / "windows.csv",
            "window,nuclide,centre_kev,width_pct,offset_pct",
            [["Co-57", "Co-57", 122.1, 20, 15]],
        ),
        "readings": write(
            folder / "readings.csv", "probe,taken_at,window,measurement,counts,count_time_s,source,jig", rows
        ),
    }


@pytest.fixture(scope="session")
def loaded(log: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of the log that no test may change."""
    store = tmp_path_factory.mktemp("loaded") / "fleet.duckdb"
    result = run("load", *log.values(), "--store", store, "--by", "A. Tester")
    assert result.exit_code == 0, result.stderr
    return store


@pytest.fixture
def store(loaded: Path, tmp_path: Path) -> Path:
    """A store of the log for one test alone."""
    return Path(shutil.copy(loaded, tmp_path / "fleet.duckdb"))


@pytest.fixture
def readings_file(tmp_path: Path) -> Callable[..., Path]:
    """A function that writes a readings file of a few rows; each row is a dict over the defaults of a good one."""
    good = {
        "probe": "GP-001",
        "taken_at": "2024-04-02T08:00:00",
        "window": "Co-57",
        "measurement": "source",
        "counts": 9000,
        "count_time_s": 10,
        "source": "CK-A1",
    }

    def make(*changes: dict[str, object], name: str = "more.csv", leave_out: str = "") -> Path:
        headings = [one for one in good if one != leave_out]
        rows = [[{**good, **change}[one] for one in headings] for change in changes]
        return write(tmp_path / name, ",".join(headings), rows)

    return make
