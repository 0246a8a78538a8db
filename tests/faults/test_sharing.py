"""One store, several threads and processes: nobody fails, nobody waits without knowing for whom."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import duckdb
import pytest

from analytics.errors import UserError
from analytics.records.check_store import check_store
from analytics.records.lease import lease, lock_path
from analytics.records.load import load_files
from analytics.records.reader import snapshot
from analytics.records.sidecar import sidecar_path
from analytics.records.store import Store, create, revision
from analytics.records.typed_in import add_rows, record_check

NOW = datetime(2024, 6, 1, 12)


@pytest.fixture
def store(tmp_path):
    """A store with a probe and a source."""
    (tmp_path / "p.csv").write_text("probe,site\nGP-001,North\n")
    (tmp_path / "s.csv").write_text("source,nuclide,reference_at\nCK-1,Co-57,2000-01-01\n")
    load_files(tmp_path / "s.duckdb", [tmp_path / "p.csv", tmp_path / "s.csv"], by="t", now=NOW, create=True)
    return tmp_path / "s.duckdb"


def check(minute: int) -> dict[str, object]:
    """A counting of that minute."""
    return {
        "probe": "GP-001",
        "taken_at": datetime(2024, 1, 1) + timedelta(minutes=minute),
        "window": "Co-57",
        "measurement": "source",
        "counts": minute,
        "count_time_s": 10,
        "source": "CK-1",
    }


def test_threads_write_and_read_at_the_same_time(store):
    """Six threads, each writing and reading in turn: every row is there once, revisions rise by one each."""

    def work(first: int) -> None:
        for i in range(first, first + 3):
            assert record_check(store, [check(i)], by=f"thread {first}", now=NOW).stored == 1
            assert len(snapshot(store).readings) >= 1

    with ThreadPoolExecutor(6) as pool:
        for job in [pool.submit(work, 10 * i) for i in range(6)]:
            job.result()
    records = snapshot(store)
    assert sorted(records.readings["counts"]) == sorted(float(10 * i + j) for i in range(6) for j in range(3))
    assert records.revision == revision(store) == 1 + 18
    assert check_store(store) == []


def test_processes_write_at_the_same_time(store, root):
    """Two processes and this one each write three rows; none fails."""
    code = (
        "import sys; from datetime import datetime, timedelta\n"
        "from analytics.records.typed_in import record_check\n"
        "for i in range(3):\n"
        "    record_check(sys.argv[1],"
        " [{'probe': 'GP-001', 'taken_at': datetime(2024, 2, int(sys.argv[2])) + timedelta(minutes=i),"
        " 'window': 'Co-57', 'measurement': 'source', 'counts': i, 'count_time_s': 10, 'source': 'CK-1'}], by='p',"
        " now=datetime(2024, 6, 1))\n"
    )
    others = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(store), str(day)],
            cwd=root,
            env={**os.environ, "PYTHONPATH": str(root)},
            stderr=subprocess.PIPE,
            text=True,
        )
        for day in (1, 2)
    ]
    for i in range(3):
        record_check(store, [check(i)], by="here", now=NOW)
    for one in others:
        _, said = one.communicate()
        assert (one.returncode, said) == (0, "")
    assert len(snapshot(store).readings) == 9


def test_who_waits_long_is_told_for_which_process(store, monkeypatch):
    """After a while a sentence names the holder; at the end of patience an error does."""
    from analytics.records import lease as module

    monkeypatch.setattr(module, "SAY_AFTER_S", 0.05)
    said: list[str] = []
    with (
        lease(store, exclusive=True, purpose="steadycount load big.csv"),
        pytest.raises(
            UserError,
            match=rf"the store is in use by process {os.getpid()} \(steadycount load big\.csv, since .*\); gave up",
        ),
        Store(store, wait_s=0.3, on_wait=said.append).reading(),
    ):
        pass
    assert len(said) == 1
    assert f"waiting for process {os.getpid()} (steadycount load big.csv" in said[0]


def test_readers_do_not_keep_each_other_waiting(store):
    """A second reader enters while the first is inside; a writer waits for both."""
    inside, leave = threading.Event(), threading.Event()

    def stay() -> None:
        with Store(store).reading():
            inside.set()
            leave.wait(20)

    thread = threading.Thread(target=stay)
    thread.start()
    assert inside.wait(20)
    with Store(store, wait_s=0.5).reading():
        pass
    with (
        pytest.raises(UserError, match="another process that reads it"),
        Store(store, wait_s=0.2, on_wait=lambda _: None).writing(),
    ):
        pass
    leave.set()
    thread.join()


def test_another_program_that_holds_the_file_is_named(store, root):
    """A database tool that has the store open: the line says which program."""
    code = (
        "import duckdb, sys, time; con = duckdb.connect(sys.argv[1]); print('open', flush=True); sys.stdin.readline()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout is not None
    other.stdout.readline()
    try:
        with pytest.raises(UserError, match=r"another program holds it open \(.*PID \d+"):
            snapshot(store)
    finally:
        other.communicate("\n")


def test_the_sidecar_is_not_believed_after_the_store_was_replaced(store, tmp_path):
    """A store copied over this one has another size or time: the revision is read from the store itself."""
    create(tmp_path / "new.duckdb")
    assert revision(store) == 1
    (tmp_path / "new.duckdb").replace(store)
    assert revision(store) == 0
    sidecar_path(store).write_text("nonsense")
    assert revision(store) == 0


def test_a_store_without_its_side_files_works(store):
    """Lock and revision file are made anew."""
    lock_path(store).unlink()
    sidecar_path(store).unlink()
    assert revision(store) == 1
    assert (
        add_rows(
            store, "events", [{"probe": "GP-001", "happened_at": "2024-01-01", "kind": "cleaned"}], by="t", now=NOW
        ).stored
        == 1
    )


def test_a_store_of_a_newer_layout_is_refused(store):
    """The line says which layouts this program knows."""
    con = duckdb.connect(str(store))
    con.execute("UPDATE store SET schema_version = 99")
    con.close()
    with pytest.raises(UserError, match="this store has layout 99, this program knows layouts up to"):
        snapshot(store)
    with pytest.raises(UserError, match="this store has layout 99"):
        record_check(store, [check(1)], by="t", now=NOW)


def test_nothing_is_printed_by_the_database_itself(store, capfd):
    """Standard output belongs to the caller's JSON: the database's own progress bar is off in every connection."""
    with Store(store).reading() as con, Store(store).reading() as second:
        for one in (con, second):
            assert one.execute("SELECT current_setting('enable_progress_bar')").fetchall() == [(False,)]
    with Store(store).writing() as con:
        assert con.execute("SELECT current_setting('enable_progress_bar')").fetchall() == [(False,)]
        with pytest.raises(duckdb.Error, match="locked"):
            con.execute("SET memory_limit = '9GB'")
        with pytest.raises(duckdb.Error, match="disabled"):
            con.execute("SELECT * FROM read_csv('/etc/hostname')")
    assert capfd.readouterr().out == ""


def test_a_store_of_an_older_layout_is_kept_and_brought_up_to_date(store, monkeypatch):
    """The first to open it, a reader here, runs the missing step once; the old file stays beside it; nothing reads otherwise."""
    from analytics.records import schema

    before = snapshot(store)
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, "ALTER TABLE probe ADD COLUMN weight_g DOUBLE"))
    monkeypatch.setattr(schema, "VERSION", 2)
    assert snapshot(store).probes.equals(before.probes)
    with Store(store).reading() as con:
        assert con.execute("SELECT count(weight_g), any_value(schema_version) FROM probe, store").fetchall() == [(0, 2)]
    assert check_store(store) == []
    assert revision(store) == before.revision
    monkeypatch.undo()
    kept = store.with_name("s.duckdb.layout-1")
    assert snapshot(kept).probes.equals(before.probes)
    with pytest.raises(UserError, match="this store has layout 2"):
        snapshot(store)


def test_a_step_that_fails_leaves_the_older_layout(store, monkeypatch):
    """All steps of a migration are one transaction."""
    from analytics.records import schema

    before = snapshot(store)
    monkeypatch.setattr(
        schema,
        "STEPS",
        (*schema.STEPS, "ALTER TABLE probe ADD COLUMN a DOUBLE; ALTER TABLE nothing ADD COLUMN b DOUBLE"),
    )
    monkeypatch.setattr(schema, "VERSION", 2)
    with pytest.raises(duckdb.Error):
        snapshot(store)
    monkeypatch.undo()
    assert snapshot(store).probes.equals(before.probes)
