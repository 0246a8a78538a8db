"""A disk that fills up while the layout of a store is changed: one line, and the older store stands as it was."""

from __future__ import annotations

import shutil
from datetime import datetime

import pytest

from analytics.errors import UserError
from analytics.records import schema
from analytics.records.check_store import check_store
from analytics.records.load import load_files
from analytics.records.reader import snapshot

STEP = "ALTER TABLE reading ADD COLUMN weight_g DOUBLE; UPDATE reading SET weight_g = 1.5"


@pytest.fixture(scope="module")
def older(tmp_path_factory):
    """A store of the present layout, which the tests below take for an older one."""
    folder = tmp_path_factory.mktemp("older")
    (folder / "probes.csv").write_text("probe,site\nGP-001,North\n")
    (folder / "sources.csv").write_text("source,nuclide,reference_at\nCK-1,Co-57,2000-01-01\n")
    rows = "".join(
        f"GP-001,2010-01-{1 + i // 1440:02d} {i // 60 % 24:02d}:{i % 60:02d},Co-57,source,{i},10,CK-1\n" for i in range(3_000)
    )
    (folder / "log.csv").write_text("probe,taken_at,window,measurement,counts,count_time_s,source\n" + rows)
    load_files(folder / "s.duckdb", sorted(folder.glob("*.csv")), by="t", now=datetime(2024, 6, 1), create=True)
    return folder / "s.duckdb"


@pytest.mark.parametrize("copies", [1.5, 2.4], ids=["no room to keep the older one", "no room for the newer one"])
def test_a_disk_that_fills_up_in_a_change_of_layout_leaves_the_older_store(small_disk, older, tmp_path, monkeypatch, copies):
    """It is told in one line, nothing half-made stays, every reading is there, and with room the change is made."""
    size_kb = older.stat().st_size // 1024
    disk = small_disk(int(size_kb * copies))
    work = disk / "s.duckdb"
    shutil.copyfile(older, work)
    with monkeypatch.context() as newer:
        newer.setattr(schema, "STEPS", (*schema.STEPS, STEP))
        newer.setattr(schema, "VERSION", schema.VERSION + 1)
        with pytest.raises(UserError) as error:
            snapshot(work)
        assert str(error.value) == f"{work}: the disk is full; nothing was changed. Make room and try again."
    assert [one.name for one in disk.iterdir() if ".part" in one.name or ".newer" in one.name] == []
    before = snapshot(older).readings
    assert snapshot(work).readings.equals(before)
    assert check_store(work) == []
    roomy = tmp_path / "s.duckdb"
    shutil.copyfile(work, roomy)
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, STEP))
    monkeypatch.setattr(schema, "VERSION", schema.VERSION + 1)
    assert snapshot(roomy).readings.equals(before)
