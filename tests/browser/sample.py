"""The demo's sample in a store, made once for all browser tests of a run."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from analytics.records.load import load_files

AS_OF = "2025-12-31"  # the day the sample ends
SAMPLE = Path(__file__).resolve().parents[2] / "data_demo" / "sample"


@cache
def store() -> Path:
    """A store that tests may read together."""
    path = Path(mkdtemp(prefix="steadycount-test-")) / "sample.duckdb"
    report = load_files(path, sorted(SAMPLE.glob("*.csv")), by="A. Lind", create=True)
    assert report.stored > 10_000
    return path
