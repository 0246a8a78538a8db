"""kill -9 in the middle of a backup, a restore, or a change of layout: what is there is whole, and nothing else is there."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time

import pytest

from analytics.errors import UserError
from analytics.records.backup import backup, restore
from analytics.records.check_store import check_store
from analytics.records.history import chain_head
from analytics.records.reader import snapshot
from analytics.records.store import Store
from tests.faults.layouts import STEP, long_store

KILLS = int(os.environ.get("STEADYCOUNT_KILLS", "4"))  # 300 in the nightly mode
# Imports once; each line "what, file, file, seconds" is then begun by a child, which is killed after so many seconds.
NURSERY = f"""
import os, signal, sys, time
from analytics.records import schema
from analytics.records.backup import backup, restore
from analytics.records.reader import snapshot
def migrate(store, _):
    schema.STEPS, schema.VERSION = (*schema.STEPS, {STEP!r}), 2
    snapshot(store)
print("ready", flush=True)
for line in sys.stdin:
    what, one, other, seconds = line.rstrip("\\n").split("\\t")
    if (child := os.fork()) == 0:
        {{"backup": backup, "restore": restore, "migrate": migrate}}[what](one, other)
        os._exit(0)
    time.sleep(float(seconds))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    print("over", flush=True)
"""


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A store of 8,000 readings, so that copying takes some time."""
    return long_store(tmp_path_factory.mktemp("copies"), 8_000)


@pytest.fixture(scope="module")
def killed(root):
    """A function that has something done by a process of its own and ends it so many seconds after its begin."""
    nursery = subprocess.Popen(
        [sys.executable, "-c", NURSERY], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        cwd=root, env={**os.environ, "PYTHONPATH": str(root)},
    )  # fmt: skip
    assert nursery.stdin is not None
    assert nursery.stdout is not None
    assert nursery.stdout.readline() == "ready\n"

    def do(what: str, one, other, after_s: float) -> None:
        nursery.stdin.write(f"{what}\t{one}\t{other}\t{after_s}\n")
        nursery.stdin.flush()
        assert nursery.stdout.readline() == "over\n"

    yield do
    nursery.stdin.close()
    nursery.wait(10)
    nursery.stdout.close()


def longest_s(work) -> float:
    """How long something takes that nobody ends."""
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def test_killed_backups_and_restores_leave_a_whole_file_or_none(store, killed, tmp_path):
    """A name that is there is a sound store with the same head; what is left of the others is in nobody's way."""
    chance, head, made = random.Random(3), chain_head(store), 0
    span = 1.3 * longest_s(lambda: backup(store, tmp_path / "first.duckdb"))
    for number in range(KILLS):
        source, what = ((store, "backup"), (tmp_path / "first.duckdb", "restore"))[number % 2]
        target = tmp_path / f"{what}{number}.duckdb"
        killed(what, source, target, chance.uniform(0, span) if number else 0.0)
        if target.exists():
            made += 1
            assert chain_head(target) == head
            assert check_store(target) == []
        else:
            copy = backup if what == "backup" else restore
            assert copy(source, target) == head
        assert [one.name for one in tmp_path.iterdir() if ".part" in one.name] == []
        target.unlink()
    assert made < KILLS
    assert check_store(store) == []


def test_a_killed_change_of_layout_leaves_the_older_or_the_newer_one(store, killed, tmp_path, monkeypatch):
    """With every reading in it, and the store as it was beside it where anything was changed; opened again, it is the newer."""
    from analytics.records import schema

    chance, work, seen = random.Random(4), tmp_path / "s.duckdb", set()
    kept = work.with_name("s.duckdb.layout-1")
    before = snapshot(store)
    shutil.copyfile(store, work)
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, STEP))
    monkeypatch.setattr(schema, "VERSION", 2)
    span = 1.3 * longest_s(lambda: snapshot(work))
    for number in range(KILLS):
        for one in tmp_path.iterdir():
            one.unlink()
        shutil.copyfile(store, work)
        killed("migrate", work, "", chance.uniform(0, span) if number else 0.0)
        monkeypatch.setattr(schema, "VERSION", 1)
        said = ""
        try:
            assert snapshot(work).readings.equals(before.readings)
        except UserError as error:
            said = str(error)
        monkeypatch.setattr(schema, "VERSION", 2)
        assert not said or "this store has layout 2" in said
        assert not said or kept.exists()
        seen.add(2 if said else 1)
        assert snapshot(work).readings.equals(before.readings)
        with Store(work).reading() as con:
            assert con.execute("SELECT count(weight_g), count(*) FROM reading").fetchall() == [(8_000, 8_000)]
        monkeypatch.setattr(schema, "VERSION", 1)
        assert snapshot(kept).readings.equals(before.readings)
        monkeypatch.setattr(schema, "VERSION", 2)
    assert 1 in seen
