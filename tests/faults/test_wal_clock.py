"""A write-ahead log cut anywhere, a clock that jumps, and a backup made while others write."""

from __future__ import annotations

import shutil
import threading
from datetime import UTC, datetime, timedelta

import duckdb
import pytest

from analytics.errors import UserError
from analytics.records import history as history_module
from analytics.records.backup import backup, restore
from analytics.records.check_store import check_store
from analytics.records.history import chain_head, history
from analytics.records.load import load_files
from analytics.records.people import exclude, include
from analytics.records.reader import snapshot
from analytics.records.store import revision

NOW = datetime(2024, 6, 1, 12)
HEAD = "probe,taken_at,window,measurement,counts,count_time_s,source\n"


@pytest.fixture
def store(tmp_path):
    """A store with a hundred readings."""
    (tmp_path / "probes.csv").write_text("probe,site\nGP-001,North\n")
    (tmp_path / "sources.csv").write_text("source,nuclide,reference_at\nCK-1,Co-57,2000-01-01\n")
    rows = "".join(f"GP-001,2023-01-01 {i // 60:02d}:{i % 60:02d},Co-57,source,{i},10,CK-1\n" for i in range(100))
    (tmp_path / "log.csv").write_text(HEAD + rows)
    files = [tmp_path / one for one in ("probes.csv", "sources.csv", "log.csv")]
    load_files(tmp_path / "s.duckdb", files, by="t", now=NOW, create=True)
    return tmp_path / "s.duckdb"


def test_a_log_of_writes_cut_anywhere_leaves_all_of_a_change_or_none(store, tmp_path):
    """As after a power cut: the store opens with the change or without it, and the check finds nothing wrong."""
    con = duckdb.connect(str(store))
    con.execute("SET checkpoint_threshold = '1TB'")
    con.execute("BEGIN; INSERT INTO exclusion VALUES (1, now()::TIMESTAMP, 'x', 'y', NULL, NULL, NULL)")
    con.execute("CREATE TABLE filler AS SELECT range AS i FROM range(20000); COMMIT")
    log = store.with_name("s.duckdb.wal")
    whole = log.read_bytes()
    cut = tmp_path / "cut.duckdb"
    seen = set()
    for share in (0.0, 0.01, 0.3, 0.7, 0.999, 1.0):
        shutil.copyfile(store, cut)
        cut.with_name("cut.duckdb.wal").write_bytes(whole[: int(len(whole) * share)])
        for beside in (".rev", ".lock"):
            cut.with_name(cut.name + beside).unlink(missing_ok=True)
        try:
            excluded = bool(snapshot(cut).readings["excluded"].any())
        except UserError as error:
            assert "\n" not in str(error)  # noqa: PT017 - either is right: open, or one clear line
            seen.add("refused")
            continue
        seen.add(excluded)
        found = [one.where for one in check_store(cut)]
        assert found == (["reading 1"] if excluded else [])  # written past the history, so the check names it
    con.close()
    assert True in seen
    assert False in seen


def test_a_clock_that_jumps_back_breaks_no_chain(store, monkeypatch):
    """Order is kept by revision and not by time: the history stays whole, in the order in which things were done."""

    class Jumping(datetime):
        shift = timedelta(0)

        @classmethod
        def now(cls, tz=None):
            return datetime.now(tz) + cls.shift

    monkeypatch.setattr(history_module, "datetime", Jumping)
    for place, days in enumerate((0, -4000, 3000, -1), 1):
        Jumping.shift = timedelta(days=days)
        exclude(store, place, by="t", reason="x")
    found = history(store)
    assert found["subject"].head(4).tolist() == [f"reading {one}" for one in (4, 3, 2, 1)]
    assert not found["changed_at"].is_monotonic_decreasing
    assert found["changed_at"].iloc[1] > datetime.now(UTC).replace(tzinfo=None) + timedelta(days=2000)
    assert check_store(store) == []


def test_a_backup_made_while_others_write_is_one_of_their_revisions(store, tmp_path):
    """Whole and sound, with the head of the history that it names; restored, it is the same to the last row."""
    stop = threading.Event()

    def busy() -> None:
        while not stop.is_set():
            exclude(store, 5, by="t", reason="x")
            include(store, 5, by="t", reason="x")

    writer = threading.Thread(target=busy)
    writer.start()
    try:
        heads = [backup(store, tmp_path / f"b{i}.duckdb") for i in range(3)]
    finally:
        stop.set()
        writer.join()
    known = set(history(store, limit=10_000)["hash"])
    for i, head in enumerate(heads):
        assert head in known
        assert restore(tmp_path / f"b{i}.duckdb", tmp_path / f"r{i}.duckdb") == head
        made = tmp_path / f"r{i}.duckdb"
        assert (chain_head(made), check_store(made), len(snapshot(made).readings)) == (head, [], 100)
    assert revision(tmp_path / "b0.duckdb") <= revision(tmp_path / "b2.duckdb") <= revision(store)


def test_a_cut_backup_is_not_restored(store, tmp_path):
    """A file that lost its end, or a value, is told, and no store is made of it."""
    backup(store, tmp_path / "b.duckdb")
    content = (tmp_path / "b.duckdb").read_bytes()
    (tmp_path / "cut.duckdb").write_bytes(content[: len(content) // 2])
    with pytest.raises(UserError):
        restore(tmp_path / "cut.duckdb", tmp_path / "r.duckdb")
    with duckdb.connect(str(tmp_path / "b.duckdb")) as con:
        con.execute("UPDATE reading SET counts = counts + 1 WHERE reading_id = 7")
    with pytest.raises(UserError, match="is not sound"):
        restore(tmp_path / "b.duckdb", tmp_path / "r.duckdb")
    assert not (tmp_path / "r.duckdb").exists()
