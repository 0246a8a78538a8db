"""A store to be brought to a further layout, and the step that does it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from analytics.records.load import load_files

STEP = "ALTER TABLE reading ADD COLUMN weight_g DOUBLE; UPDATE reading SET weight_g = 1.5"


def long_store(folder: Path, rows: int) -> Path:
    """A store of one probe with so many countings, at most 10,000 a year from 2010 on, so that copying it takes some time."""
    (folder / "probes.csv").write_text("probe,site\nGP-001,North\n")
    (folder / "sources.csv").write_text("source,nuclide,reference_at\nCK-1,Co-57,2000-01-01\n")
    lines = "".join(
        f"GP-001,20{10 + i // 10_000}-01-{1 + i // 1440 % 28:02d} {i // 60 % 24:02d}:{i % 60:02d},Co-57,source,{i},10,CK-1,{i}\n"
        for i in range(rows)
    )
    (folder / "log.csv").write_text("probe,taken_at,window,measurement,counts,count_time_s,source,repeat\n" + lines)
    load_files(folder / "s.duckdb", sorted(folder.glob("*.csv")), by="t", now=datetime(2024, 6, 1), create=True)
    return folder / "s.duckdb"
