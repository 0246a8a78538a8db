"""Disks that are full or may not be written to: one clear line, and nothing is changed."""

from __future__ import annotations

import shutil
from datetime import datetime

import pytest

from analytics.errors import UserError
from analytics.records.backup import backup
from analytics.records.check_store import check_store
from analytics.records.load import load_files
from analytics.records.people import exclude
from analytics.records.reader import snapshot
from analytics.records.store import exists, revision

NOW = datetime(2024, 6, 1, 12)
PROBES = "probe,site\nGP-001,North\n"
SOURCES = "source,nuclide,reference_at\nCK-1,Co-57,2000-01-01\n"


def log(rows: int, start: int = 0) -> str:
    """A log whose cells are hard to compress: notes of scattered digits."""
    lines = ["probe,taken_at,window,measurement,counts,count_time_s,source,note"]
    for i in range(start, start + rows):
        note = "".join(f"{(i * k * 2654435761) % 4294967296:08x}" for k in range(1, 9))
        lines.append(
            f"GP-001,20{i // 100_000 + 10}-01-{1 + i // 1440 % 28:02d}"
            f" {i // 60 % 24:02d}:{i % 60:02d}:{i // 40_320 % 60:02d}"
            f",Co-57,source,{10_000 + i % 5000},10,CK-1,{note}"
        )
    return "\n".join(lines)


@pytest.fixture
def files(tmp_path):
    """A small log with its registries, and a large one."""
    for name, text in {
        "probes.csv": PROBES,
        "sources.csv": SOURCES,
        "small.csv": log(200),
        "large.csv": log(60_000, 1000),
    }.items():
        (tmp_path / name).write_text(text)
    return tmp_path


def test_a_full_disk_is_told_and_the_store_stays_as_it_was(small_disk, files):
    """Revision, rows and chain are as before the load that does not fit, and a smaller change still fits."""
    disk = small_disk(5000)
    store = disk / "s.duckdb"
    load_files(store, [files / "probes.csv", files / "sources.csv", files / "small.csv"], by="t", now=NOW, create=True)
    before = revision(store)
    with pytest.raises(UserError) as error:
        load_files(store, [files / "large.csv"], by="t", now=NOW)
    assert str(error.value) == f"{store}: the disk is full; nothing was changed. Make room and try again."
    assert revision(store) == before
    assert len(snapshot(store).readings) == 200
    assert check_store(store) == []
    exclude(store, 1, by="t", reason="still works")
    assert revision(store) == before + 1


def test_a_first_load_that_does_not_fit_leaves_no_store(small_disk, files):
    """No half-made file is left behind."""
    disk = small_disk(600)
    with pytest.raises(UserError, match="the disk is full"):
        load_files(
            disk / "s.duckdb",
            [files / "probes.csv", files / "sources.csv", files / "large.csv"],
            by="t",
            now=NOW,
            create=True,
        )
    assert not exists(disk / "s.duckdb")


def test_a_backup_that_does_not_fit_leaves_nothing(small_disk, files):
    """Neither the backup nor its draft stays on the full disk."""
    store = files / "s.duckdb"
    load_files(store, [files / "probes.csv", files / "sources.csv", files / "large.csv"], by="t", now=NOW, create=True)
    disk = small_disk(800)
    with pytest.raises(UserError, match="the disk is full"):
        backup(store, disk / "b.duckdb")
    assert list(disk.iterdir()) == []


def test_a_read_only_folder_can_be_read_and_says_no_to_writing(small_disk, files):
    """Snapshot and revision work; a load says what is wrong."""
    disk = small_disk(20_000)
    store = disk / "s.duckdb"
    load_files(store, [files / "probes.csv", files / "sources.csv", files / "small.csv"], by="t", now=NOW, create=True)
    (disk / "s.duckdb.rev").unlink()
    small_disk(read_only=disk)
    assert revision(store) == 1
    assert len(snapshot(store).readings) == 200
    with pytest.raises(UserError, match=r"cannot be written to"):
        load_files(store, [files / "large.csv"], by="t", now=NOW)
    with pytest.raises(UserError, match=r"cannot be written to"):
        load_files(disk / "new.duckdb", [files / "probes.csv"], by="t", now=NOW, create=True)


def test_a_full_temporary_folder_is_told_before_the_store_is_touched(small_disk, files, monkeypatch):
    """Checking spills to the temporary folder; where it is full, the line names the file that was being checked."""
    import tempfile

    from analytics.records import staging

    disk = small_disk(300)
    monkeypatch.setattr(tempfile, "tempdir", str(disk))
    monkeypatch.setattr(staging, "MEMORY", "12MB")
    with pytest.raises(UserError, match=r"there is no room to check the file .*Make room in the temporary folder"):
        load_files(
            files / "s.duckdb",
            [files / "probes.csv", files / "sources.csv", files / "large.csv"],
            by="t",
            now=NOW,
            create=True,
        )
    assert not exists(files / "s.duckdb")


@pytest.mark.parametrize("damage", ["truncated", "overwritten", "text", "other database", "empty"])
def test_a_damaged_or_foreign_store_is_told_in_one_line(files, damage):
    """No traceback, no change of the file."""
    import duckdb

    store = files / "s.duckdb"
    load_files(store, [files / "probes.csv", files / "sources.csv", files / "large.csv"], by="t", now=NOW, create=True)
    content = bytearray(store.read_bytes())
    if damage == "truncated":
        content = content[: len(content) // 3]
    elif damage == "overwritten":
        content[4096 * 3 :] = b"\xa5" * (len(content) - 4096 * 3)
    elif damage == "text":
        content = bytearray(b"probe,site\nGP-001,North\n" * 100)
    elif damage == "empty":
        content = bytearray()
    if damage == "other database":
        store.unlink()
        duckdb.connect(str(store)).execute("CREATE TABLE mine (a INTEGER)").close()
        content = bytearray(store.read_bytes())
    store.write_bytes(content)
    for call in (lambda: snapshot(store), lambda: load_files(store, [files / "small.csv"], by="t", now=NOW)):
        with pytest.raises(UserError) as error:
            call()
        assert "\n" not in str(error.value)
        assert str(error.value).startswith(str(store))
    if damage in ("text", "empty"):
        assert store.read_bytes() == bytes(content)


def test_a_byte_changed_in_the_stored_rows_is_found(files):
    """Anybody with another program can change a count; check-store names the load and the table."""
    import duckdb

    store = files / "s.duckdb"
    load_files(store, [files / "probes.csv", files / "sources.csv", files / "small.csv"], by="t", now=NOW, create=True)
    assert check_store(store) == []
    shutil.copyfile(store, files / "kept.duckdb")
    for statement, where in (
        ("UPDATE reading SET counts = counts + 1 WHERE reading_id = 7", "load 1, table reading"),
        ("UPDATE reading SET note = NULL WHERE reading_id = 9", "load 1, table reading"),
        ("DELETE FROM probe", "load 1, table probe"),
        ("UPDATE change SET \"by\" = 'x'", "history"),
        ("UPDATE change SET \"after\" = replace(\"after\", '202', '203')", "history"),
        ("INSERT INTO exclusion VALUES (7, now()::TIMESTAMP, 'x', 'y', NULL, NULL, NULL)", "reading 7"),
        ('UPDATE "load" SET undone_at = now()::TIMESTAMP', "load 1"),
        ("DELETE FROM change", "load 1"),
    ):
        shutil.copyfile(files / "kept.duckdb", store)
        con = duckdb.connect(str(store))
        con.execute(statement)
        con.close()
        assert where in [one.where for one in check_store(store)], statement
