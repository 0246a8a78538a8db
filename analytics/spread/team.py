"""A large store worked out by two processes side by side, or part by part where it is larger than memory: the same answer.

Each process reads, counts, walks and charts its own parts (``member``). They wait for each other at every month start, where the
fleet's placing spread is taken together from all of them; in a store whose probes all hang together there is but one part, and
nothing to share.
"""

from __future__ import annotations

import gc
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analytics.baseline.rows import Floats
    from analytics.records.snapshot import Records
    from analytics.results import FleetAssessment
    from analytics.settings import Settings
    from analytics.spread.member import Steps
    from analytics.spread.partition import Grouping
    from analytics.spread.stages import Span

LEAST_BYTES = 8_000_000  # of a store, some 200,000 readings: below, a second process saves hardly more than it takes to start
LEAST_READINGS = 150_000
MOST_KEPT = 2_500_000  # readings beyond which parts do not stay in memory, some 1.5 GB, but are put by on disk between the steps
MOST_IN_PART = 400_000  # readings of a part then
MOST_SHARE = 0.8  # of the readings in one group, from which on a second process would mostly wait
# M_TRIM_THRESHOLD, M_TOP_PAD and M_MMAP_THRESHOLD of malloc.h, the last one as large as it may be.
MALLOC_OPTIONS = ((-1, 256 * 2**20), (-2, 64 * 2**20), (-3, 32 * 2**20))
ROOT = Path(__file__).resolve().parents[2]

Tell = Callable[[str], None]


class AloneError(Exception):
    """Nothing to share, or a process that ended; to be worked out in one process. Its text, if any, is for a person."""


class Other:
    """A process beside this one."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "analytics.spread.beside"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT
        )

    def tell(self, value: Any) -> None:
        """Hand it a task, or what all said."""
        if self._process.stdin is None:
            raise AloneError
        try:
            pickle.dump(value, self._process.stdin, protocol=5)
            self._process.stdin.flush()
        except BrokenPipeError as end:
            raise AloneError("the second process ended") from end

    def hear(self) -> Any:
        """What it says next, or its answer."""
        if self._process.stdout is None:
            raise AloneError
        try:
            kind, value = pickle.load(self._process.stdout)  # noqa: S301 - from a process that this one started
        except (EOFError, pickle.UnpicklingError) as end:
            raise AloneError("the second process ended") from end
        if kind == "failed":
            raise AloneError(f"the second process failed: {value.strip().splitlines()[-1]}")
        return value

    def dismiss(self) -> None:
        """Have it end, without waiting for that: to give a part's memory back takes it a tenth of a second."""
        self._process.kill()

    def end(self) -> None:
        """End it."""
        self.dismiss()
        self._process.communicate()


@contextmanager
def beside(store: Path) -> Iterator[Other | None]:
    """A process started beside this one where the store is large enough to gain by it, ended with the block."""
    if (os.cpu_count() or 1) < 2 or store.stat().st_size < LEAST_BYTES:
        yield None
        return
    other = Other()
    keep_freed()
    try:
        yield other
    finally:
        other.end()


@contextmanager
def uncollected() -> Iterator[None]:
    """No search for garbage in circles meanwhile: the results are millions of objects, none of them garbage, and it takes a twelfth of the time.

    Nor later among what stands by then. For a process that ends soon.
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.freeze()
            gc.enable()


def keep_freed() -> None:
    """Keep up to 256 MB that were given back for what comes next, where the C library is one that can be told.

    Arrays come and go by the thousand, and having each one's pages taken back and cleared anew took a thirtieth of the time.
    """
    with suppress(AttributeError, OSError, TypeError):
        import ctypes

        tell = ctypes.CDLL(None).mallopt
        for option, value in MALLOC_OPTIONS:
            tell(option, value)


def give_freed_back() -> None:
    """Give back what is kept; between parts that do not fit into memory together, it is memory that counts."""
    with suppress(AttributeError, OSError):
        import ctypes

        ctypes.CDLL(None).malloc_trim(0)


@dataclass(frozen=True)
class Overview:
    """What is known of a store without its readings."""

    path: str
    small: Records  # no readings
    groups: Grouping

    @property
    def readings(self) -> int:
        """How many stand."""
        return int(self.groups.weight.sum())


def overview(store: Path) -> Overview:
    """What hangs together in a store, and its small tables."""
    from analytics.records.reader import readings_in, small_tables_in, ties_in
    from analytics.records.store import Store, answering_in
    from analytics.spread.partition import grouping_of

    with Store(store).reading() as con:
        ties = ties_in(con)
        small = small_tables_in(con, answering_in(con), readings_in(con, []))
    return Overview(str(store.resolve()), small, grouping_of(ties, small.probes["probe"], small.sources["source"]))


def assess_store(
    known: Overview, settings: Settings, as_of: datetime, other: Other | None, tell: Tell = lambda _: None
) -> FleetAssessment:
    """What ``fleet.assess`` answers for the store, but without tables of points. tell: gets what is being done.

    Raises AloneError where one process does it better, where the second one ended, or where the store was altered meanwhile.
    """
    import numpy as np

    from analytics.advice.probe_history import fleet_history
    from analytics.baseline.noise import FleetPlacing
    from analytics.cut import cut
    from analytics.fleet import FleetConstants
    from analytics.spread.engine import placing_of, slope_totals
    from analytics.spread.member import AlteredError, Task
    from analytics.spread.merge import merged
    from analytics.spread.partition import shared_out

    whole, readings = known.groups, known.readings
    keep = readings <= MOST_KEPT
    both = other is not None and whole.weight.max(initial=0) <= MOST_SHARE * readings
    if readings < LEAST_READINGS or (keep and not both):
        raise AloneError
    parts = 1 + both if keep else max(-(-readings // MOST_IN_PART), 1 + both)
    _, shares = shared_out(whole, parts)
    heaviest_first = sorted(shares.values(), key=lambda one: -one.readings)
    sides = [heaviest_first[0::2], heaviest_first[1::2]] if both else [heaviest_first]
    tasks = [Task(known.path, known.small.revision, tuple(side), whole, settings, as_of, keep) for side in sides]
    team = _Team([_Here(), *([other] if both and other is not None else [])])
    try:
        tell(f"Counting {readings} readings in {len(shares)} parts")
        spans: list[Span] = [one for said in team.go_on(*tasks) for one in said]
        edges = _edges(spans)
        said = team.go_on(edges)
        for month in range(1, len(edges) if edges is not None else 1):
            tell(f"Going through month {month}")
            said = team.go_on(placing_of(said, settings))
        tell("Working the answer out")
        first: dict[str, float] = {}
        for one in spans:
            first |= one.first_checks
        constants = FleetConstants(
            FleetPlacing(np.zeros(0), None),  # was settled on the way
            slope_totals([one for votes in said for one in votes]),
            fleet_history(cut(known.small, as_of), {name: first[name] for name in sorted(first)}, as_of),
        )
        answers = team.go_on(constants)
        if other is not None:
            other.dismiss()
    except AlteredError as altered:
        raise AloneError from altered
    return merged([one.part() for told in answers for one in told])


class _Here:
    """The member that is this process."""

    def __init__(self) -> None:
        self._way: Steps | None = None
        self._next: Any = None

    def tell(self, value: Any) -> None:
        """What to go on with, once it is asked."""
        self._next = value

    def hear(self) -> Any:
        """What it says next, or its answer."""
        from analytics.spread.member import steps

        try:
            if self._way is None:
                self._way = steps(self._next)
                return next(self._way)
            return self._way.send(self._next)
        except StopIteration as end:
            return end.value


class _Team:
    """All members; this process is the first."""

    def __init__(self, members: Sequence[_Here | Other]) -> None:
        self._members = members

    def go_on(self, *values: Any) -> list[Any]:
        """What each says next, having been sent its value, or the one that is for all."""
        each = values if len(values) == len(self._members) else values * len(self._members)
        for member, value in reversed(list(zip(self._members, each, strict=True))):
            member.tell(value)
        return [member.hear() for member in self._members]


def _edges(spans: Sequence[Span]) -> Floats | None:
    """Month starts of the whole fleet; None where no part has a response."""
    from analytics.baseline.forward import month_starts

    days = [one.days for one in spans if one.days is not None]
    return month_starts(min(first for first, _ in days), max(last for _, last in days)) if days else None
