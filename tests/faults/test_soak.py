"""A scheduler that loads and five people at the dashboard, all on one store: nothing fails, nobody waits long, nothing is lost."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from datetime import datetime, timedelta

import numpy as np

from analytics.records.check_store import check_store
from analytics.records.drafts import drafts
from analytics.records.reader import snapshot
from analytics.records.undo import loads
from tests.dashboard import real_store
from tests.faults.visitor import Visitor

SECONDS = float(os.environ.get("STEADYCOUNT_SOAK_S", "20"))  # 600 in the nightly mode
LOAD_EVERY_S = 10.0 if SECONDS >= 60 else 4.0
LONGEST_WAIT_S = 2.0
# In a short run other tests share the processor, so there only what the store makes people wait is held to two seconds.
LONGEST_PAGE_S = LONGEST_WAIT_S if SECONDS >= 300 else 15.0
PAUSE_S = (3.0, 9.0) if SECONDS >= 300 else (0.5, 3.0)  # between two pages, for somebody who reads them
PLAINLY = {"STREAMLIT_LOGGER_ENABLE_RICH": "false"}  # what a page raises goes to standard error, as text
WAITED = "waiting for"  # what whoever has waited two seconds for the store says on standard error (lease.py)
HEAD = "probe,taken_at,window,measurement,counts,count_time_s,source,note\n"
RECORDING = ((real_store.SOUND, "P-001"), (real_store.FALLING, "P-002"))  # the fifth is the scheduler's
LOOKING = (
    (("fleet", ""), ("alerts", ""), ("probe", f"probe={real_store.FALLING}"), ("plan", "")),
    (("fleet", ""), ("probe", f"probe={real_store.SOUND}"), ("probe", f"probe={real_store.OTHER}"), ("sources", ""), ("about", "")),
    (("history", ""), ("report", ""), ("other_checks", ""), ("settings", ""), ("import_log", "")),
)


class Notes:
    """What everybody saw: waits in seconds by what was waited for, what went wrong, and checks that were recorded."""

    def __init__(self) -> None:
        self.waits: list[tuple[str, float]] = []
        self.wrong: list[str] = []
        self.recorded = self.loaded = 0
        self._lock = threading.Lock()

    def saw(self, what: str, seen) -> None:
        """A page has come."""
        with self._lock:
            self.waits.append((what, seen.waited_s))
            self.wrong += [f"{what}: {one}" for one in seen.wrong()]

    def add(self, *, recorded: int = 0, loaded: int = 0, wrong: str = "") -> None:
        """Something was written, or failed."""
        with self._lock:
            self.recorded, self.loaded = self.recorded + recorded, self.loaded + loaded
            self.wrong += [wrong] * bool(wrong)

    def __str__(self) -> str:
        kinds = sorted({what for what, _ in self.waits})
        lines = [f"{len(self.waits)} pages, {self.recorded} checks recorded, {self.loaded} rows loaded in {SECONDS:.0f} s"]
        for kind in kinds:
            waits = np.array([one for what, one in self.waits if what == kind])
            middle, high = np.quantile(waits, [0.5, 0.95])
            lines.append(f"{kind:14} {len(waits):5}  median {middle:.2f}  95 % {high:.2f}  longest {waits.max():.2f} s")
        return "\n".join(lines)


@contextmanager
def dashboard(store, root):
    """The address of a dashboard in a process of its own, and the file in which its standard error is kept."""
    said = store.with_name("said.txt")
    with said.open("w", encoding="utf-8") as errors:
        process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.commands", "open", "--no-browser", "--port", "0", "--store", str(store)],
            cwd=store.parent, env={**os.environ, "PYTHONPATH": str(root), **PLAINLY},
            stdout=subprocess.PIPE, stderr=errors, text=True,
        )  # fmt: skip
        try:
            assert process.stdout is not None
            yield process.stdout.readline().strip(), said
        finally:
            process.terminate()
            process.wait(20)
            process.stdout.close()


def keep_loading(store, root, notes: Notes, end: float) -> None:
    """What a scheduler does: a new file with four countings, loaded by a process of its own, again and again."""
    source = str(snapshot(store).readings["source"].dropna().iloc[-1])
    begun, number = datetime.now() - timedelta(hours=20), 0
    while (started := time.monotonic()) < end:
        number += 1
        at = begun + timedelta(minutes=number)
        rows = "".join(f"{real_store.OTHER},{at:%Y-%m-%d %H:%M}:{s:02d},Co-57,source,8600,10,{source},n\n" for s in range(4))
        file = store.with_name(f"log{number}.csv")
        file.write_text(HEAD + rows, encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "-m", "dashboard.commands", "load", str(file), "--store", str(store), "--by", "scheduler", "--json"],
            env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, text=True, check=False,
        )  # fmt: skip
        stored = json.loads(done.stdout)["files"][0]["stored"] if done.returncode == 0 else 0
        wrong = done.returncode != 0 or stored != 4 or WAITED in done.stderr
        notes.add(loaded=stored, wrong=f"load ended with {done.returncode}: {done.stdout}{done.stderr}" if wrong else "")
        time.sleep(max(min(started + LOAD_EVERY_S, end) - time.monotonic(), 0))


def look(visitor: Visitor, pages, chance: random.Random, notes: Notes, end: float) -> None:
    """One who goes from page to page."""
    while time.monotonic() < end:
        for page, query in pages:
            notes.saw(page, visitor.go(page, query))
            time.sleep(chance.uniform(*PAUSE_S))


def record(visitor: Visitor, probes, chance: random.Random, notes: Notes, end: float) -> None:
    """One who counts, types, writes a note and saves, probe after probe; a check of one probe may follow another within the minute."""
    last = dict.fromkeys(probes, 0.0)
    while time.monotonic() < end:
        probe = min(probes, key=last.__getitem__)
        if time.time() < last[probe] + 12:
            notes.saw("probe", visitor.go("probe", f"probe={probe}"))
            time.sleep(chance.uniform(*PAUSE_S))
            continue
        notes.saw("record", visitor.go("record", f"probe={probe}"))
        for label, text in (
            ("On the source", str(chance.randint(8000, 9000))), ("Note", f"note {chance.random()}"), ("Your name", f"for {probe}"),
        ):  # fmt: skip
            notes.saw("typing", visitor.fill(label, text))
            time.sleep(chance.uniform(0.3, 1.0))
        last[probe], saved = time.time(), visitor.press("Save the check")
        notes.saw("saving", saved)
        notes.add(recorded=1, wrong="" if is_saved(visitor) else f"not saved: {visitor.where}")
        time.sleep(chance.uniform(*PAUSE_S))


def is_saved(visitor: Visitor) -> bool:
    """Whether the page says what became of the check."""
    said = any("This check:" in one.body for one in visitor.seen.all("markdown"))
    return said and "saved=" in visitor.where and visitor.seen.titles() == ["Record a check"]


def guarded(work, notes: Notes, *given) -> threading.Thread:
    """A thread whose failure is noted."""

    def run() -> None:
        try:
            work(*given)
        except Exception as error:  # noqa: BLE001 - whatever it is, the test must fail by it
            notes.add(wrong=f"{work.__name__}: {error!r}")

    return threading.Thread(target=run)


def test_five_people_and_a_scheduler_share_one_store(tmp_path, root):
    """No error on any page or in any load, no wait above the limit, every row and check there once, the store sound."""
    store, notes = real_store.store(tmp_path), Notes()
    before = len(snapshot(store).readings)
    with dashboard(store, root) as (address, said):
        people = [Visitor(address) for _ in range(5)]
        for person in people:
            person.go("fleet")
        for page, query in {*sum(LOOKING, ()), ("record", f"probe={real_store.OTHER}")}:
            people[0].go(page, query)  # the server has then read its own code; nobody's wait is that
        end = time.monotonic() + SECONDS
        work = [guarded(keep_loading, notes, store, root, notes, end)]
        for number, (person, pages) in enumerate(zip(people, LOOKING, strict=False)):
            work.append(guarded(look, notes, person, pages, random.Random(number), notes, end))
        for number, (person, probes) in enumerate(zip(people[3:], RECORDING, strict=True)):
            work.append(guarded(record, notes, person, probes, random.Random(10 + number), notes, end))
        for one in work:
            one.start()
        for one in work:
            one.join()
        for person in people:
            person.close()
        said_of_it = said.read_text(encoding="utf-8")
    sys.stderr.write(f"\n{notes}\n")
    assert notes.wrong == [], said_of_it[-8000:]
    assert "Traceback" not in said_of_it
    assert WAITED not in said_of_it
    assert [(what, round(one, 2)) for what, one in notes.waits if one > LONGEST_PAGE_S] == []
    assert min(notes.recorded, notes.loaded // 4) >= 2
    readings = snapshot(store).readings
    assert len(readings) == before + notes.loaded + notes.recorded
    assert (readings["file"].astype(object) == "typed in").sum() == notes.recorded
    assert not readings.duplicated(["probe", "taken_at", "window", "measurement", "repeat"]).any()
    assert len(loads(store)) == 1 + notes.loaded // 4 + notes.recorded
    assert drafts(store).empty
    assert check_store(store) == []
