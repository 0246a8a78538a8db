"""How fast, against what: ``python -m tests.bench.speed --sizes 1e4,1e5,1e6 --runs 5``.

For each size a store is made of a simulated fleet and loaded; all ratios are taken in one run on one machine:

- loading, against DuckDB's bare ``read_csv`` of the same readings into a table of the same columns;
- ``assess``, and the ``kernel`` in it, from counts to responses, charts and trends, against (a) what a user would script for
  the same outputs, a loop over series (``tests.bench.scripted``) on a sample of them, times their number; and (b) one DuckDB scan
  of the same columns, with the search for change points and without;
- the command as a whole with its output (by two processes from 150,000 readings on), their peak memory, and how all this grows;
- one check more on the loaded store, from its file to the new answer, beside the answer worked out whole;
- with ``--dask``, the same in parts on two worker processes of this machine, with the answer compared.

A profile of ``assess`` at the largest size is left in the folder ``--out``. 1e7 takes its time and is made on demand only.
"""

from __future__ import annotations

import argparse
import contextlib
import cProfile
import json
import math
import os
import pstats
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import duckdb
import pandas as pd
import psutil

from analytics import settings
from analytics.answer import as_json
from analytics.charts import response
from analytics.charts.response import ResponseCharts, chart_responses
from analytics.counting import count_records
from analytics.cut import cut
from analytics.drift.state import fitted
from analytics.fleet import activity_variance, assess
from analytics.records.load import load_files
from analytics.records.reader import snapshot
from analytics.records.standing import read_on, standing
from analytics.simulate import scoring_fleet, write_csv
from analytics.spread.kept import KeptFleet
from tests.bench.score_common import say
from tests.bench.scripted import Loop, scripted

YEARS = 3.5
READINGS_PER_PROBE = 470  # of a weekly fleet in so many years, about
ASIDE = "SELECT * FROM read_csv('{file}', all_varchar = false, columns = {columns}, header = true)"


@dataclass(frozen=True)
class Figures:
    """Seconds, unless the name says otherwise."""

    readings: int
    load: float
    bare_csv: float
    assess: float
    kernel: float
    search: float  # of it, for change points
    loop: Loop
    scan: float
    more: float
    whole: float
    command: float
    command_mb: float
    dask: float | None


def timed(work: Callable[[], Any], runs: int) -> tuple[float, Any]:
    """Median of the runs, and the last result."""
    took, result = [], None
    for _ in range(runs):
        begin = time.perf_counter()
        result = work()
        took.append(time.perf_counter() - begin)
    return statistics.median(took), result


def command(*words: str) -> tuple[float, float]:
    """Seconds of a command of the tool as a process of its own, and the peak memory in MB of it and what it starts, taken ten times a second."""
    begin = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.commands", *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    peak = 0
    while process.poll() is None:
        with contextlib.suppress(psutil.Error):
            first = psutil.Process(process.pid)
            peak = max(peak, sum(one.memory_info().rss for one in (first, *first.children(recursive=True))))
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(0.1)
    if process.returncode != 0:
        raise RuntimeError(f"{words} ended with {process.returncode}")
    return time.perf_counter() - begin, peak / 2**20


def bare_csv(file: Path) -> None:
    """The readings into a table with types told beforehand, and nothing else."""
    kinds = {"taken_at": "TIMESTAMP", "counts": "BIGINT", "count_time_s": "DOUBLE"}
    names = file.open(encoding="utf-8").readline().strip().split(",")
    columns = "{" + ", ".join(f"'{one}': '{kinds.get(one, 'VARCHAR')}'" for one in names) + "}"
    target = file.with_suffix(".bare.duckdb")
    target.unlink(missing_ok=True)
    with duckdb.connect(str(target)) as con:
        con.execute("CREATE TABLE readings AS " + ASIDE.format(file=file, columns=columns))
    target.unlink()


def scan(con: duckdb.DuckDBPyConnection) -> None:
    """(b) One pass over the readings: number, mean and slope of the log rate of each probe and window."""
    con.execute(
        'SELECT probe, "window", source, count(*), avg(ln(greatest(counts, 1) / count_time_s)), '
        "regr_slope(ln(greatest(counts, 1) / count_time_s), epoch(taken_at)) "
        "FROM readings WHERE measurement = 'source' GROUP BY ALL"
    ).fetchall()


def measured(size: int, runs: int, folder: Path, with_dask: bool) -> tuple[Figures, Callable[[], Any]]:
    """All figures of one size, and what is to be profiled."""
    probes = max(round(size / READINGS_PER_PROBE), 4)
    made = scoring_fleet(7, probes=probes, years=YEARS)
    files = write_csv(made.tables, folder)
    readings = folder / "readings.csv"
    store = folder / "fleet.duckdb"

    def load() -> None:
        for one in folder.glob("fleet.duckdb*"):
            one.unlink()
        load_files(store, files, by="bench", create=True)

    load_s, _ = timed(load, runs)
    bare_s, _ = timed(lambda: bare_csv(readings), runs)
    records, shipped, as_of = snapshot(store), settings.load(), made.ends_at
    assess_s, answer = timed(lambda: assess(records, shipped, as_of), runs)
    known = cut(records, as_of)
    counted = count_records(known, shipped)
    activity = activity_variance(known, counted, shipped)

    def kernel() -> ResponseCharts:
        from_counts = count_records(known, shipped)
        charts = chart_responses(from_counts.response_states, from_counts.names, known.events, activity, shipped)
        fitted(charts)
        return charts

    kernel_s, charts = timed(kernel, runs)
    search_s = searching(kernel)
    scripted_loop = scripted(known, counted, charts, shipped)
    with duckdb.connect() as con:
        frame = records.readings[["probe", "window", "source", "measurement", "taken_at", "counts", "count_time_s"]]
        con.register("given", frame)
        con.execute("CREATE TABLE readings AS SELECT * FROM given")
        scan_s, _ = timed(lambda: scan(con), runs)
    whole = [command("assess", "--json", "--as-of", as_of.isoformat(), "--store", str(store)) for _ in range(runs)]
    whole_s, memory = (statistics.median(one) for one in zip(*whole, strict=True))
    more_s, anew_s = one_check_more(store, folder, shipped, as_of, runs)
    dask_s = _on_dask(records, shipped, as_of, answer) if with_dask else None
    figures = Figures(
        len(records.readings), load_s, bare_s, assess_s, kernel_s, search_s, scripted_loop, scan_s, more_s, anew_s, whole_s, memory, dask_s
    )
    return figures, lambda: assess(records, shipped, as_of)


def searching(kernel: Callable[[], Any]) -> float:
    """Seconds that the kernel spends on looking for change points."""
    took = 0.0

    def watched(work: Callable[..., Any]) -> Callable[..., Any]:
        def run(*given: Any) -> Any:
            nonlocal took
            begin = time.perf_counter()
            made = work(*given)
            took += time.perf_counter() - begin
            return made

        return run

    names = ("core_inputs", "chart_of", "begun_anew")
    with contextlib.ExitStack() as stack:
        for name in names:
            stack.enter_context(mock.patch.object(response, name, watched(getattr(response, name))))
        kernel()
    return took


def one_check_more(store: Path, folder: Path, shipped: Any, as_of: Any, runs: int) -> tuple[float, float]:
    """Seconds from the commit of a check to the new answer, in the process that holds the last one; and of the answer worked out whole."""
    target, file = folder / "more.duckdb", folder / "more.csv"
    shutil.copyfile(store, target)
    stand, fleet = standing(target), KeptFleet()
    begin = time.perf_counter()
    fleet.answer(stand, shipped, as_of)
    whole_s = time.perf_counter() - begin
    took = []
    readings = stand.base.readings
    for number, probe in enumerate(stand.base.probes["probe"].iloc[3 : 3 + 2 * runs : 2]):
        mine = readings[(readings["probe"] == probe) & readings["source"].notna()].iloc[-1]
        at = mine.taken_at + pd.Timedelta(minutes=30 + number)
        file.write_text(
            "probe,taken_at,window,measurement,counts,count_time_s,source,jig,collimator,readout\n"
            f"{probe},{at.isoformat()},{mine.window},source,{int(mine.counts)},10,{mine.source},{mine.jig},"
            f"{'' if pd.isna(mine.collimator) else mine.collimator},{mine.readout}\n"
        )
        if load_files(target, [file], by="bench").files[0].stored != 1:
            raise RuntimeError("the check was not stored")
        begin = time.perf_counter()
        stand = read_on(target, stand)
        fleet.answer(stand, shipped, as_of)
        took.append(time.perf_counter() - begin)
    if fleet.passes > 1:
        say(f"  (of {len(took)} checks {fleet.passes - 1} moved a constant of the fleet, so that all was worked out again)")
    return statistics.median(took), whole_s


def _on_dask(records: Any, shipped: Any, as_of: Any, answer: Any) -> float:
    """Seconds in parts on two workers that are up already; raises where the answer is another one."""
    from distributed import Client, LocalCluster

    from analytics.spread.dask_mapper import assess_on_dask

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as made, Client(made) as client:
        took, other = timed(lambda: assess_on_dask(records, shipped, as_of, client), 1)
    if json.dumps(as_json(other)) != json.dumps(as_json(answer)):
        raise RuntimeError("the answer in parts is not the answer in one piece")
    return took


def exponent(small: Figures, large: Figures, name: str) -> float:
    """By which power of the number of readings a figure grows."""
    grown = getattr(large, name) / getattr(small, name)
    return math.log(grown) / math.log(large.readings / small.readings)


def said(one: Figures) -> list[str]:
    """One size in lines."""
    n = one.readings
    lines = [
        f"{n} readings",
        f"  load           {one.load:8.2f} s  {n / one.load:10.0f} rows/s  {one.load / one.bare_csv:6.1f} x the bare read_csv ({one.bare_csv:.3f} s)",
        f"  assess         {one.assess:8.2f} s  {n / one.assess:10.0f} rows/s",
        (
            f"  kernel         {one.kernel:8.2f} s  1/{one.loop.whole / one.kernel:.0f} of the loop (a) ({one.loop.said()})  "
            f"{one.kernel / one.scan:6.0f} x the scan (b) ({one.scan:.4f} s), {(one.kernel - one.search) / one.scan:.0f} x without change points"
        ),
        f"  one check more {one.more:8.2f} s  1/{one.whole / one.more:.0f} of the answer worked out whole ({one.whole:.2f} s)",
        f"  assess --json  {one.command:8.2f} s  {one.command_mb:6.0f} MB, start-up and output included",
    ]
    if one.dask is not None:
        lines.append(f"  two workers    {one.dask:8.2f} s  {one.dask / one.assess:6.2f} x one process; same answer")
    return lines


def main() -> None:
    """Measure, say, and leave the profile."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", default="1e4,1e5")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--out", type=Path, default=Path("artefacts/speed"))
    parser.add_argument("--dask", action="store_true")
    given = parser.parse_args()
    say(f"load average at the start {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores, medians of {given.runs}")
    say(f"steadycount --help {timed(lambda: command('--help'), given.runs)[0]:.2f} s")
    found: list[Figures] = []
    work: Callable[[], Any] = lambda: None  # noqa: E731
    for size in (int(float(one)) for one in given.sizes.split(",")):
        figures, work = measured(size, given.runs, given.out / str(size), given.dask)
        say("\n".join(said(figures)))
        if found:
            grown = (f"{name} {exponent(found[-1], figures, name):.2f}" for name in ("load", "assess", "kernel"))
            say("  growth exponent: " + ", ".join(grown))
        found.append(figures)
    profile = cProfile.Profile()
    profile.runcall(work)
    profile.dump_stats(given.out / "assess.prof")
    with (given.out / "assess.txt").open("w", encoding="utf-8") as file:
        pstats.Stats(profile, stream=file).sort_stats("cumulative").print_stats(60)
        pstats.Stats(profile, stream=file).sort_stats("tottime").print_stats(40)
    say(f"profile in {given.out}; load average at the end {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
