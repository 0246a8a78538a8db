"""A small clinic for the tests of the records: a folder, a store, two probes, two check sources, one window."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from analytics.records.load import load_files
from analytics.records.report import LoadReport

NOW = datetime(2024, 6, 1, 12, 0)
HEAD = "probe,taken_at,window,measurement,counts,count_time_s,source\n"
PROBES = "probe,site\nGP-001,North\nGP-002,South\n"
SOURCES = """source,nuclide,reference_at,activity_kbq,withdrawn_on
CK-1,Co-57,2023-01-01,3700,
CK-2,Co-57,2020-01-01,3700,2023-06-30
"""
WINDOWS = "window,nuclide,centre_kev,width_pct\nCo-57,Co-57,122.06,20\n"


@dataclass
class Clinic:
    """Files and store of one test."""

    folder: Path

    now = NOW
    head = HEAD

    @property
    def store(self) -> Path:
        """Where the store lies."""
        return self.folder / "clinic.duckdb"

    def write(self, name: str, content: str | bytes) -> Path:
        """A file in the folder."""
        path = self.folder / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    def load(self, *files: Path, **options: Any) -> LoadReport:
        """Load files as the tester, at NOW."""
        return load_files(self.store, files, **{"by": "tester", "now": NOW, "create": True} | options)

    def register(self) -> LoadReport:
        """The registries as load 1."""
        return self.load(
            self.write("probes.csv", PROBES), self.write("sources.csv", SOURCES), self.write("windows.csv", WINDOWS)
        )

    def readings(self, *rows: str, name: str = "log.csv", head: str = HEAD, **options: Any) -> LoadReport:
        """Load rows of readings from a file of that name."""
        return self.load(self.write(name, head + "".join(f"{one}\n" for one in rows)), **options)


@pytest.fixture
def empty_clinic(tmp_path: Path) -> Clinic:
    """A folder without a store."""
    return Clinic(tmp_path)


@pytest.fixture(scope="session")
def registered_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in which the registries are load 1; made once and only copied."""
    made = Clinic(tmp_path_factory.mktemp("registered"))
    made.register()
    return made.store


@pytest.fixture
def clinic(empty_clinic: Clinic, registered_store: Path) -> Clinic:
    """A folder with a store in which the registries are load 1."""
    shutil.copyfile(registered_store, empty_clinic.store)
    return empty_clinic


@pytest.fixture
def row() -> Callable[..., str]:
    """A sound row of readings with single cells replaced."""

    def make(**cells: object) -> str:
        sound = {
            "probe": "GP-001",
            "taken_at": "2024-05-01 08:00",
            "window": "Co-57",
            "measurement": "source",
            "counts": "12000",
            "count_time_s": "10",
            "source": "CK-1",
        }
        return ",".join(str(one) for one in (sound | cells).values())

    return make
