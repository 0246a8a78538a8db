"""What the scoring runs share: fleets by seed, the analysis run on them, and figures printed beside their targets."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol, TypeVar

import numpy as np
import pandas as pd

from analytics.fleet import Worked
from analytics.results import FleetAssessment
from analytics.simulate import Fleet, scoring_fleet, to_records
from analytics.simulate.breakdowns import MIX, NAMED

Answer = TypeVar("Answer")


@dataclass(frozen=True)
class Case:
    """One simulated fleet to score."""

    seed: int
    probes: int
    years: float
    cadence: str
    bad_source: bool = True
    wrong_date: bool = False
    jig_knocked: bool = False
    only_named: bool = False

    def fleet(self) -> Fleet:
        """The fleet of this case."""
        return scoring_fleet(
            self.seed,
            probes=self.probes,
            years=self.years,
            cadence=self.cadence,
            bad_source=self.bad_source,
            wrong_date=self.wrong_date,
            jig_knocked=self.jig_knocked,
            mix={kind: MIX[kind] for kind in NAMED} if self.only_named else None,
        )


@dataclass
class Figure:
    """A share or a rate against its target; ``hits`` of ``total``, or single values whose middle counts."""

    name: str
    target: float
    at_most: bool = False
    hits: float = 0.0
    total: float = 0.0
    values: list[float] = field(default_factory=list)
    unit: str = "%"

    def add(self, hit: bool) -> None:
        """Count one case."""
        self.hits += hit
        self.total += 1

    @property
    def value(self) -> float | None:
        """The figure as it stands; None where there is nothing to say."""
        if self.values:
            return float(pd.Series(self.values).median())
        if not self.total:
            return None
        return self.hits / self.total * (100.0 if self.unit == "%" else 1.0)

    def line(self) -> str:
        """One printed line: name, value, of how many, target, and whether it is reached."""
        value = self.value
        if value is None:
            return f"  {self.name:<66} no case"
        reached = value <= self.target if self.at_most else value >= self.target
        number = f"{value:.3f}" if self.unit != "%" and abs(value) < 10 else f"{value:.1f}"
        of = f"{len(self.values)} values" if self.values else f"{self.hits:g} of {self.total:.5g}"
        sign = "<=" if self.at_most else ">="
        verdict = "ok" if reached else "NOT REACHED"
        return f"  {self.name:<66} {number:>8} {self.unit:<4} ({of:<16}) {sign} {self.target:g}  {verdict}"


def say(text: str) -> None:
    """Print at once, so that a long run shows how far it is."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def merge(into: dict[str, Figure], more: dict[str, Figure]) -> None:
    """Add the cases of one fleet to the sums."""
    for name, figure in more.items():
        if name not in into:
            into[name] = Figure(figure.name, figure.target, figure.at_most, unit=figure.unit)
        into[name].hits += figure.hits
        into[name].total += figure.total
        into[name].values += figure.values


class Scored(Protocol):
    """What one case comes to: figures by name, remarks, and the analysis' own time."""

    figures: dict[str, Figure]
    remarks: list[str]
    seconds: float


def print_scores(cadence: str, scores: Sequence[Scored], brief: bool) -> None:
    """The figures of all cases of a cadence together, and each remark."""
    total: dict[str, Figure] = {}
    for one in scores:
        merge(total, one.figures)
    say(f"\n{cadence}, {len(scores)} fleets, analysis {np.median([one.seconds for one in scores]):.1f} s a date")
    for figure in total.values():
        say(figure.line())
    if not brief:
        for one in scores:
            say("\n".join(f"  {remark}" for remark in sorted(one.remarks)))


def score_all(description: str, score: Callable[[Case], Scored], *, years: float) -> None:
    """Score every case that the command line asks for, and print cadence by cadence."""
    parser = arguments(description)
    parser.set_defaults(years=years)
    options = parser.parse_args()
    for cadence, of in cases(options).items():
        print_scores(cadence, list(each(score, of, options.jobs)), options.brief)


def run_analysis(fleet: Fleet, as_of: datetime) -> tuple[FleetAssessment, float]:
    """The analysis at ``as_of`` with the shipped settings, and the seconds it took."""
    started = time.perf_counter()
    return work(fleet, as_of).answer, time.perf_counter() - started


def work(fleet: Fleet, as_of: datetime) -> Worked:
    """All that the analysis makes on its way, with the shipped settings."""
    from analytics import settings
    from analytics.fleet import work_out

    return work_out(to_records(fleet), settings.load(), as_of)


def alerts_of(answer: FleetAssessment) -> pd.DataFrame:
    """Every opening on a probe: probe, quantity, window, rule, signalled_at, settled_at, episode, direction, detail."""
    rows = [
        (one.probe, one.quantity, one.window, a.rule, a.signalled_at, a.settled_at, a.episode, a.direction, a.detail)
        for one in answer.series
        for a in one.alerts
    ]
    names = ["probe", "quantity", "window", "rule", "signalled_at", "settled_at", "episode", "direction", "detail"]
    table = pd.DataFrame(rows, columns=names)
    for column in ("signalled_at", "settled_at"):
        table[column] = pd.to_datetime(table[column]).astype("datetime64[us]")
    return table.sort_values(["signalled_at", "probe"], kind="stable", ignore_index=True)


def arguments(description: str) -> argparse.ArgumentParser:
    """The options that the scoring runs share."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--seeds", default="1-3", help="such as 1-3 or 4,7 (default: 1-3)")
    parser.add_argument("--probes", type=int, default=150)
    parser.add_argument("--years", type=float, default=3.5)
    parser.add_argument("--cadence", choices=("weekly", "monthly", "both"), default="both")
    parser.add_argument("--no-bad-source", action="store_true", help="all sources decay as they should")
    parser.add_argument("--wrong-date", action="store_true", help="one source has a reference date 31 days late")
    parser.add_argument("--jig-knocked", action="store_true", help="one jig is knocked 1 mm further away")
    parser.add_argument("--only-named", action="store_true", help="only the faults that the acceptance names")
    parser.add_argument("--jobs", type=int, choices=(1, 2), default=1, help="processes")
    parser.add_argument("--brief", action="store_true", help="figures only, no list of misses and false alarms")
    return parser


def cases(options: argparse.Namespace) -> dict[str, list[Case]]:
    """The cases that the options ask for, by cadence.

    >>> found = cases(arguments("").parse_args(["--seeds", "1-2", "--cadence", "weekly"]))
    >>> [(cadence, len(of)) for cadence, of in found.items()]
    [('weekly', 2)]
    """
    seeds: list[int] = []
    for part in options.seeds.split(","):
        first, _, last = part.partition("-")
        seeds += range(int(first), int(last or first) + 1)
    chosen = ("weekly", "monthly") if options.cadence == "both" else (options.cadence,)
    return {
        cadence: [
            Case(
                seed,
                options.probes,
                options.years,
                cadence,
                not options.no_bad_source,
                options.wrong_date,
                options.jig_knocked,
                options.only_named,
            )
            for seed in seeds
        ]
        for cadence in chosen
    }


def each(work: Callable[[Case], Answer], of: Sequence[Case], jobs: int) -> Iterator[Answer]:
    """The answers in the order of the cases, on one or two processes."""
    if jobs == 1:
        yield from map(work, of)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(work, of)
