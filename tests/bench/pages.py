"""How long each page's script takes on a huge store: ``python -m tests.bench.pages --probes 2000 --runs 3``.

Server side, under AppTest, on a real store: the script alone, without the browser and without the network.

- ``cold``: a page that nobody has opened in this revision, with the one assessment there that all pages share and that is
  worked out beside them; where it waits for work of its own beside it (a plan, a price), that is its time until it says so;
- ``warm``: the same page again, as a new visitor opens it, median of the runs.

Each page is cold once for itself: what pages keep in common (``dashboard/seam/keep.py``) is dropped before it, the records
and the assessment are not. ``--profile PAGE`` prints where the time of a cold and of a warm run goes.
"""

from __future__ import annotations

import argparse
import cProfile
import logging
import os
import pstats
import statistics
import sys
import time
from datetime import date, datetime, timedelta
from pathlib import Path

from dashboard.pages import PAGES
from dashboard.seam import answers, keep, month_before, read
from dashboard.seam.place import STORE
from tests.bench.score_common import say
from tests.dashboard.opened import open_page

TARGETS = {"cold": 1.5, "warm": 0.3}  # s
RECORDS = (read._stand_of, read._settings_of, read._assess)


def made(folder: Path, probes: int, years: float, cadence: str) -> Path:
    """The store of a simulated fleet that ends yesterday; one that is there already is used."""
    from analytics.records.load import load_files
    from analytics.simulate import scoring_fleet, write_csv

    store = folder / f"fleet-{probes}-{cadence}-{years:g}-{date.today()}.duckdb"
    if not store.is_file():
        folder.mkdir(parents=True, exist_ok=True)
        midnight = datetime.combine(date.today(), datetime.min.time())
        start = midnight - timedelta(days=round(years * 365.25) + 1)
        fleet = scoring_fleet(7, probes=probes, years=years, cadence=cadence, start=start)  # type: ignore[arg-type]
        load_files(store, write_csv(fleet.tables, folder), by="bench", create=True)
    return store


def run(name: str, parameters: dict[str, str]) -> float:
    """Seconds of one run of the page as a new visitor opens it; a page that fails is a failure of the bench."""
    begin = time.perf_counter()
    page = open_page(name, **parameters)
    took = time.perf_counter() - begin
    if page.exception:
        raise RuntimeError(f"{name}: {page.exception[0].message}")
    return took


def forget() -> None:
    """Drop what pages keep, and neither the records nor the assessment."""
    month_before.finish()
    keep._kept.clear()
    for module in list(sys.modules.values()):
        if getattr(module, "__name__", "").startswith("dashboard."):
            for one in list(vars(module).values()):
                if type(one).__name__ == "CachedFunc" and one not in RECORDS and one is not keep._kept:
                    one.clear()


def profiled(name: str, parameters: dict[str, str], lines: int) -> None:
    """Where the time of the page goes, cold and warm."""
    for kind in ("cold", "warm"):
        if kind == "cold":
            forget()
        profile = cProfile.Profile()
        # AppTest runs the script on a thread of its own, which a profiler of this thread does not see.
        import streamlit.testing.v1.app_test as driver

        original = driver.LocalScriptRunner._run_script_thread

        def seen(self: object, *, _run: object = original, _profile: cProfile.Profile = profile) -> None:
            _profile.enable()
            try:
                _run(self)  # type: ignore[operator]
            finally:
                _profile.disable()

        driver.LocalScriptRunner._run_script_thread = seen  # type: ignore[assignment,method-assign]
        try:
            took = run(name, parameters)
        finally:
            driver.LocalScriptRunner._run_script_thread = original  # type: ignore[method-assign]
        say(f"\n{name}, {kind}: {took:.2f} s with the profiler\n")
        pstats.Stats(profile, stream=sys.stdout).sort_stats("cumulative").print_stats(r"work/main|steadycount|dashboard|analytics", lines)
        pstats.Stats(profile, stream=sys.stdout).sort_stats("tottime").print_stats(12)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--probes", type=int, default=2000)
    parser.add_argument("--years", type=float, default=1.0)
    parser.add_argument("--cadence", choices=("weekly", "monthly"), default="weekly")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--folder", type=Path, default=Path("artefacts/huge"))
    parser.add_argument("--pages", default="", help="comma-separated; all without it")
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--lines", type=int, default=30)
    given = parser.parse_args()
    logging.disable(logging.WARNING)  # Streamlit's, that no browser is there
    store = made(given.folder, given.probes, given.years, given.cadence)
    os.environ[STORE] = str(store)
    names = given.pages.split(",") if given.pages else [one.name for one in PAGES]
    say(f"load average before: {os.getloadavg()[0]:.2f}")
    run("about", {})  # imports of Streamlit and the frame
    begin = time.perf_counter()
    run("fleet", {})
    while (job := read.awaited()) is not None:
        job.future.result()
    found = next(reversed(answers._asked.values())).answer
    say(f"{len(read.records().readings)} readings of {len(found.probes)} probes; records, assessment and log: "
        f"{time.perf_counter() - begin:.1f} s, once a revision, shared by all pages")  # fmt: skip
    worst = max(found.probes, key=lambda one: (one.patient_use != "allowed", one.advice != "use", one.probe)).probe
    parameters = {"probe": {"probe": worst}, "record": {"probe": worst}}
    if given.profile:
        for name in names:
            profiled(name, parameters.get(name, {}), given.lines)
        return
    say(f"\n{'page':<14}{'cold, s':>9}{'warm, s':>9}   (targets: {TARGETS['cold']} and {TARGETS['warm']})")
    for name in names:
        forget()
        cold = run(name, parameters.get(name, {}))
        warm = statistics.median(run(name, parameters.get(name, {})) for _ in range(given.runs))
        missed = [kind for kind, took in (("cold", cold), ("warm", warm)) if took > TARGETS[kind]]
        say(f"{name:<14}{cold:>9.2f}{warm:>9.2f}   {'over: ' + ', '.join(missed) if missed else ''}")
        if month_before._asked:  # worked out beside this page so far
            for one in month_before._asked.values():
                one.future.exception()
            run(name, parameters.get(name, {}))
            settled = statistics.median(run(name, parameters.get(name, {})) for _ in range(given.runs))
            say(f"{'  once the month before is known':<23}{settled:>9.2f}   {'over: warm' if settled > TARGETS['warm'] else ''}")
    say(f"load average after: {os.getloadavg()[0]:.2f}")


if __name__ == "__main__":
    main()
