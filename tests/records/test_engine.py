"""The engine that a server keeps: the same records by it, the store free for others between, and nothing else within its reach."""

from __future__ import annotations

import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import duckdb
import pytest

from analytics.records import drafts, engine
from analytics.records.check_store import check_store
from analytics.records.reader import snapshot
from analytics.records.store import Store, keep_engine, revision
from analytics.records.typed_in import record_check
from tests.dashboard import real_store

OPENS_IT = "import duckdb, sys; duckdb.connect(sys.argv[1]).execute('CREATE TABLE t (i INT); DROP TABLE t')"
AT = datetime(2026, 3, 2, 8, 0)


@pytest.fixture
def store(tmp_path):
    """A store of the test's own, with an engine kept for it."""
    path = real_store.store(tmp_path)
    keep_engine(path)
    yield path
    engine.forget()


def _check(store, minutes):
    like = snapshot(store).readings.query("measurement == 'source'").iloc[0]
    row = {name: like[name] for name in ("probe", "window", "measurement", "counts", "count_time_s", "source")}
    at = AT + timedelta(minutes=minutes)
    return record_check(store, [row | {"taken_at": at, "repeat": 1}], by="A. Lind", now=at + timedelta(hours=1))


def test_what_is_written_and_read_is_what_it_is_without(store):
    """A check and a draft by the kept engine are there for it and for an engine of one's own, and the store is whole."""
    before = len(snapshot(store).readings)
    assert _check(store, 0).load is not None
    drafts.save_draft(store, {"probe": "P"}, by="A. Lind")
    kept = snapshot(store), revision(store), len(drafts.drafts(store))
    engine.forget()
    own = snapshot(store), revision(store), len(drafts.drafts(store))
    assert kept[1:] == own[1:]
    assert kept[0].readings.equals(own[0].readings)
    assert len(own[0].readings) == before + 1
    assert check_store(store) == []


def test_nobody_is_kept_out_between(store):
    """Once nobody of this process reads or writes, another process may write, and what it wrote is seen."""
    snapshot(store)
    _check(store, 0)
    subprocess.run([sys.executable, "-c", OPENS_IT, str(store)], check=True, timeout=60)
    assert _check(store, 1).load is not None
    assert not store.with_name(store.name + ".wal").exists()


def test_many_at_once_read_and_write(store):
    """Three threads that save checks and three that read meanwhile lose nothing and are never told that the store is taken."""
    before = len(snapshot(store).readings)
    stop = threading.Event()

    def look():
        seen = [len(snapshot(store).readings)]
        while not stop.wait(0.05):  # as pages do: lock files know no queue, and who never lets go keeps writers out
            seen.append(len(snapshot(store).readings))
        return seen

    with ThreadPoolExecutor(6) as pool:
        looks = [pool.submit(look) for _ in range(3)]
        try:
            saved = list(pool.map(lambda n: _check(store, n).load, range(4)))
        finally:
            stop.set()
        assert all(one.result() == sorted(one.result()) for one in looks)
    assert len(set(saved)) == 4
    assert len(snapshot(store).readings) == before + 4
    assert check_store(store) == []


def test_an_engine_that_broke_is_begun_anew(store):
    """Where the engine refuses everything, the next who asks gets a new one."""
    snapshot(store)
    engine.kept_for(store)._root.close()
    assert len(snapshot(store).readings)
    assert _check(store, 0).load is not None


def test_a_refused_transaction_leaves_the_store_free(store):
    """What fails inside a transaction is rolled back, and the store is closed for the next."""
    def fail():
        with Store(store).writing() as con:
            con.execute("DELETE FROM reading")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert len(snapshot(store).readings)
    subprocess.run([sys.executable, "-c", OPENS_IT, str(store)], check=True, timeout=60)


def test_no_other_file_is_within_reach(store, tmp_path):
    """Neither another database nor a text can be read by it, whoever asks."""
    other = tmp_path / "other.csv"
    other.write_text("a\n1\n")
    with Store(store).reading() as con:
        for statement in (f"FROM read_csv('{other}')", f"ATTACH '{tmp_path / 'x.duckdb'}' AS x", "SET enable_external_access = true"):
            with pytest.raises(duckdb.Error):
                con.execute(statement)


def test_a_file_that_is_no_store_is_refused_in_the_same_words(tmp_path):
    """Something else under the store's name is told as without a kept engine."""
    path = tmp_path / "no.duckdb"
    path.write_bytes(b"no database" * 1000)
    said = []
    for kept in (False, True):
        if kept:
            keep_engine(path)
        with pytest.raises(Exception, match="not a store") as error:
            snapshot(path)
        said.append((type(error.value), str(error.value)))
    engine.forget()
    assert said[0] == said[1]
