"""Ten people and two browsers at one dashboard: ``python -m tests.bench.sessions --store PATH --minutes 5``.

Each session is one websocket, as a browser holds it: it asks for a page, waits until the server has run it, thinks for
ten seconds, and asks for the next. Two of them record checks: they type counts key by key, each key a run of the form, and
save. Beside them real browsers walk the pages. The server works on a copy of the store.

Printed: how long the server took from a request to the end of its run, by page, and every error on any page; then, by page,
how long its runs took on the clock, how long their own threads computed and how long they had no core (``tests.bench.watched``),
so that the load of the machine can be told from ours; what the server, its threads and the processes beside it computed in all;
with ``--where`` also where the long ones stood. The exit code is 1 where there was an error, or where the 95th percentile of all
is above ``--limit``.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import random
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path
from typing import IO, Any

from tests.bench.score_common import say
from tests.conftest import FLAGS, chromium_path
from tests.faults.visitor import Visitor

PAGES = ("", "alerts", "probe", "sources", "plan", "report", "history", "other_checks", "price", "settings", "about")
LIMIT_S = 0.5  # for the 95th percentile
THOUGHT_S = 10.0
KEY_S = 0.3  # from key to key at the bench
WAITING = "Working out"  # a page that stands and says that its answer is still to come


class Log:
    """What was asked, how long it took, and what went wrong; for all threads."""

    def __init__(self) -> None:
        self._gate = threading.Lock()
        self.took: dict[str, list[float]] = defaultdict(list)
        self.errors: list[str] = []
        self.awaited = self.saved = 0

    def add(self, what: str, took_s: float, wrong: list[str], *, awaited: bool = False) -> None:
        """One request."""
        with self._gate:
            self.took[what].append(took_s)
            self.errors += [f"{what}: {one}" for one in wrong]
            self.awaited += awaited

    def fail(self, what: str, error: BaseException) -> None:
        """A session or a browser that broke off."""
        with self._gate:
            self.errors.append(f"{what}: {type(error).__name__}: {error}")


def look_around(number: int, address: str, probes: list[str], until: float, log: Log) -> None:
    """A session that walks the pages, each visitor in an order of their own."""
    dice = random.Random(number)
    visitor = Visitor(address)
    time.sleep(dice.uniform(0, THOUGHT_S))
    while time.monotonic() < until:
        page = dice.choice(PAGES)
        query = f"probe={dice.choice(probes)}" if page == "probe" else ""
        seen = visitor.go(page, query)
        log.add(page or "fleet", seen.waited_s, seen.wrong(), awaited=_awaited(seen))
        time.sleep(THOUGHT_S)
    visitor.close()


def record(number: int, address: str, probes: list[str], until: float, log: Log) -> None:
    """A session that records check after check, key by key."""
    dice = random.Random(number)
    visitor = Visitor(address)
    time.sleep(dice.uniform(0, THOUGHT_S))
    while time.monotonic() < until:
        seen = visitor.go("record", f"probe={dice.choice(probes)}")
        log.add("record", seen.waited_s, seen.wrong(), awaited=_awaited(seen))
        heads = " ".join(str(one.body) for kind in ("markdown", "heading") for one in seen.all(kind))
        expected = re.search(r"Expect ([\d\s\u00a0\u202f]+) counts", heads)
        if expected is None:  # the answer is still to come
            time.sleep(1.0)
            continue
        time.sleep(THOUGHT_S / 2)
        usual = int(re.sub(r"\D", "", expected[1]))
        text = str(round(usual * dice.gauss(1.0, 0.01)))
        for end in range(1, len(text) + 1):
            seen = visitor.fill("On the source", text[:end])
            log.add("record, a key", seen.waited_s, seen.wrong())
            time.sleep(KEY_S)
        if any(one.label.startswith("Your name") and not one.value for one in seen.all("text_input")):
            seen = visitor.fill("Your name", f"recorder {number}")
            log.add("record, a key", seen.waited_s, seen.wrong())
        time.sleep(THOUGHT_S / 2)
        seen = visitor.press("Save the check")
        log.add("record, saved", seen.waited_s, seen.wrong(), awaited=_awaited(seen))
        log.saved += 1
        time.sleep(THOUGHT_S)
    visitor.close()


def _awaited(seen) -> bool:
    """Whether the page says that an answer is still to come."""
    return any(WAITING in str(getattr(one, "body", "") or getattr(one, "text", "")) for kind in ("markdown", "progress")
               for one in seen.all(kind))  # fmt: skip


def browse(number: int, address: str, probes: list[str], until: float, log: Log) -> None:
    """A real browser that walks the pages by their links, from its first paint to the end of the run."""
    from playwright.sync_api import sync_playwright

    dice = random.Random(number)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=list(FLAGS))
        context = browser.new_context(viewport={"width": 1280, "height": 900})
        page = context.new_page()
        wrong: list[str] = []
        page.on("pageerror", lambda one: wrong.append(str(one)))
        for name in itertools.cycle(("", "alerts", "probe", "plan", "record")):
            if time.monotonic() > until:
                break
            query = f"?probe={dice.choice(probes)}" if name in ("probe", "record") else ""
            begin = time.monotonic()
            page.goto(f"{address}/{name}{query}")
            page.locator("h1").first.wait_for(timeout=60_000)
            painted = time.monotonic() - begin
            page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for(timeout=60_000)
            found = page.locator('[data-testid="stException"]').all_inner_texts()
            log.add("browser, heading there", painted, [*found, *wrong])
            wrong.clear()
            time.sleep(THOUGHT_S)
        browser.close()


def main() -> int:
    """Start the server, let them all in, and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--store", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--sessions", type=int, default=10)
    parser.add_argument("--recorders", type=int, default=2, help="how many of the sessions record checks")
    parser.add_argument("--browsers", type=int, default=2)
    parser.add_argument("--where", type=int, default=0, help="print where so many of the longest runs stood")
    parser.add_argument("--limit", type=float, default=LIMIT_S)
    given = parser.parse_args()
    say(f"load average before: {os.getloadavg()[0]:.2f}")
    with tempfile.TemporaryDirectory(prefix="steadycount-sessions-") as folder:
        store = Path(folder) / "fleet.duckdb"
        shutil.copy(given.store, store)
        return _with_server(store, given)


def _with_server(store: Path, given: argparse.Namespace) -> int:
    from analytics.records.reader import snapshot

    records = snapshot(store)
    probes = records.probes["probe"].tolist()
    say(f"{len(probes)} probes, {len(records.readings)} readings")
    lines, runs = store.parent / "server.log", store.parent / "runs.jsonl"
    with lines.open("a") as log_file:
        server = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.watched", str(runs), "open", "--no-browser", "--port", "0", "--store", str(store)],
            stdout=subprocess.PIPE, stderr=log_file, text=True,
        )  # fmt: skip
    try:
        assert server.stdout is not None
        address = server.stdout.readline().strip()
        # What a page raises is written there too.
        threading.Thread(target=_copied, args=(server.stdout, lines), daemon=True).start()
        first = Visitor(address, longest_s=300.0)
        begin = time.monotonic()
        seen = first.go("")
        say(f"the first page: {seen.waited_s:.2f} s{', and says that its answer is still to come' if _awaited(seen) else ''}")
        while _awaited(seen) and not seen.all("plotly_chart"):
            time.sleep(1.0)
            seen = first.go("")
        say(f"the first answer: {time.monotonic() - begin:.1f} s; errors: {seen.wrong() or 'none'}")
        first.close()
        log, before = Log(), len(runs.read_text().splitlines())
        _let_in(address, probes, given, log)
        ended = _told(log, given, server)
        lines_told = [json.loads(one) for one in runs.read_text().splitlines()[before:]]
        _runs_told([one for one in lines_told if "spent_s" not in one], where=given.where)
        _spent_told([one for one in lines_told if "spent_s" in one], sum(one.get("cpu_s", 0.0) for one in lines_told), log.saved)
        if log.errors:
            say("\nwhat the server wrote:\n" + lines.read_text()[-40_000:])
        return ended
    finally:
        server.terminate()
        server.wait(30)


def _copied(said: IO[str], to: Path) -> None:
    for line in said:
        with to.open("a") as log_file:
            log_file.write(line)


def _let_in(address: str, probes: list[str], given: argparse.Namespace, log: Log) -> None:
    until = time.monotonic() + 60 * given.minutes
    work = [record] * given.recorders + [look_around] * (given.sessions - given.recorders) + [browse] * given.browsers

    def guarded(number: int) -> None:
        try:
            work[number](number, address, probes, until, log)
        except Exception as error:  # noqa: BLE001 - whatever ends a session is a finding
            log.fail(work[number].__name__, error)

    threads = [threading.Thread(target=guarded, args=(number,)) for number in range(len(work))]
    for one in threads:
        one.start()
    for one in threads:
        one.join()


def _told(log: Log, given: argparse.Namespace, server: subprocess.Popen[str]) -> int:
    say(f"\n{'request':<26}{'times':>6}{'median, s':>11}{'95 %, s':>9}{'most, s':>9}")
    for what, took in sorted(log.took.items()):
        say(f"{what:<26}{len(took):>6}{statistics.median(took):>11.2f}{_share(took, 0.95):>9.2f}{max(took):>9.2f}")
    every = [one for what, took in log.took.items() if not what.startswith("browser") for one in took]
    slow = _share(every, 0.95)
    say(f"\nserver, all requests: {len(every)}, median {statistics.median(every):.2f} s, 95 % {slow:.2f} s "
        f"(limit {given.limit:g}), most {max(every):.2f} s")  # fmt: skip
    say(f"checks saved: {log.saved}; pages that said that an answer was still to come: {log.awaited}")
    say(f"errors: {len(log.errors)}" + "".join(f"\n  {one[:300]}" for one in log.errors[:20]))
    ended = server.poll() is not None
    if ended:
        say(f"the server ended with {server.returncode}")
    say(f"load average after: {os.getloadavg()[0]:.2f}")
    return int(bool(log.errors) or ended or slow > given.limit)


def _runs_told(lines: list[dict[str, Any]], *, where: int) -> None:
    """What the server wrote of its own runs."""
    runs, gathered = [one for one in lines if "page" in one], [one["gc_s"] for one in lines if "gc_s" in one]
    kinds: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for one in runs:
        kinds[one["page"] + (", a part" if one["part"] else "")].append(one)
    say(f"\n{'run on the server':<26}{'times':>6}{'median, s':>11}{'95 %, s':>9}{'most, s':>9}{'CPU median':>12}{'95 %':>7}{'most':>7}"
        f"{'no core, 95 %':>15}{'without it':>12}")  # fmt: skip
    for what, some in [*sorted(kinds.items()), ("all", runs)]:
        wall, cpu, queue = ([one[name] for one in some] for name in ("wall_s", "cpu_s", "queue_s"))
        own = [took - lost for took, lost in zip(wall, queue, strict=True)]
        say(f"{what:<26}{len(some):>6}{statistics.median(wall):>11.2f}{_share(wall, 0.95):>9.2f}{max(wall):>9.2f}"
            f"{statistics.median(cpu):>12.2f}{_share(cpu, 0.95):>7.2f}{max(cpu):>7.2f}{_share(queue, 0.95):>15.2f}{_share(own, 0.95):>12.2f}")  # fmt: skip
    say(f"garbage: {len(gathered)} times longer than 0.01 s, {sum(gathered):.1f} s in all, at most {max(gathered, default=0):.2f} s")
    for one in sorted(runs, key=lambda run: -run["wall_s"])[:where]:
        say(f"\n{one['page']}{', a part' if one['part'] else ''}: {one['wall_s']:.2f} s, CPU {one['cpu_s']:.2f} s")
        for place, looks in one.get("where", ()):
            say(f"  {looks:>4}  {place}")


def _spent_told(lines: list[dict[str, Any]], of_runs: float, saved: int) -> None:
    """What everybody computed meanwhile: total, share of a core, and by check saved."""
    if len(lines) < 2:
        return
    first, last = lines[0]["spent_s"], lines[-1]["spent_s"]
    gone = lines[-1]["at"] - lines[0]["at"]
    spent = {name: value - first.get(name, 0.0) for name, value in last.items()} | {"server: runs of pages": of_runs}
    say(f"\n{'processor time':<58}{'s':>8}{'of a core':>11}{'a check, s':>12}   ({gone:.0f} s)")
    for name, one in sorted(spent.items()):
        say(f"{name:<58}{one:>8.1f}{one / gone:>11.2f}{one / max(saved, 1):>12.2f}")


def _share(took: list[float], share: float) -> float:
    """The value below which that share of them lies."""
    ordered = sorted(took)
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


if __name__ == "__main__":
    sys.exit(main())
