"""A disk that fills up while the layout of a store is changed: one line, and the older store stands as it was."""

from __future__ import annotations

import shutil

import pytest

from analytics.errors import UserError
from analytics.records import schema
from analytics.records.check_store import check_store
from analytics.records.reader import snapshot
from tests.faults.layouts import STEP, long_store


@pytest.fixture(scope="module")
def older(tmp_path_factory):
    """A store of the present layout, which the tests below take for an older one."""
    return long_store(tmp_path_factory.mktemp("older"), 3_000)


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
