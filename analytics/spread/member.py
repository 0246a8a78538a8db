"""One of several processes that work a store out side by side, each some parts of the fleet (``team``).

Every member goes through the same steps and halts between them: it says what its parts have to say of the fleet, and goes on with
what all said together. So the pass forward in time halts at each month start, and every part is walked over once.
"""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Generator
from dataclasses import dataclass
from datetime import datetime
from typing import IO, Any, TypeVar

import numpy as np
import pandas as pd

from analytics.baseline.forward import Corrected, Votes, Walk
from analytics.baseline.rows import Floats
from analytics.charts.response import pass_by_months
from analytics.drift.state import Fitted, fitted
from analytics.fleet import FleetConstants, answer
from analytics.records.reader import readings_in, small_tables_in
from analytics.records.snapshot import Records
from analytics.records.store import Store, answering_in
from analytics.results import FleetAssessment, LateTables
from analytics.settings import Settings
from analytics.spread import stages
from analytics.spread.partition import Grouping, Part, Share, part_records
from analytics.spread.stages import PartAnswer, Prepared, SlopeVotes, Span

NO_VOTES: Votes = (np.zeros(0), np.zeros(0))
Said = TypeVar("Said")


class AlteredError(Exception):
    """The store got another revision while it was read."""


@dataclass(frozen=True)
class Task:
    """What a member works on.

    path: the store. keep: whether its parts stay in memory, or are put by on disk between the steps, some 0.6 GB for a million
    readings; where the disk has no room for that, they are read and counted again.
    """

    path: str
    revision: int
    shares: tuple[Share, ...]
    groups: Grouping
    settings: Settings
    as_of: datetime
    keep: bool


@dataclass(frozen=True)
class Told:
    """A part's answer as it travels: without tables of points, which only pages want."""

    answer: dict[str, Any]
    devices: dict[str, frozenset[str]]

    def part(self) -> PartAnswer:
        """The answer again."""
        return PartAnswer(LateTables.of(_no_tables, **self.answer), self.devices, np.zeros(0, np.int64), 0)


def _no_tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    raise AttributeError("an answer of a team has no tables of points")


def told(one: FleetAssessment, devices: dict[str, frozenset[str]]) -> Told:
    """What travels of a part's answer."""
    names = ("as_of", "version", "revision", "config", "series", "probes", "sources", "jigs", "readouts")
    return Told({name: getattr(one, name) for name in names}, devices)


# What is yielded and what is sent for it, in turn: the spans of the parts, and the month starts of the fleet or None where there is
# none; at each of these but the first, votes for the placing, and the fleet's; votes for slopes, and the constants.
Steps = Generator[Any, Any, list[Told]]


def steps(task: Task) -> Steps:
    """A member's way through its parts. Raises AlteredError where the store is no longer that of the task."""
    parts = [_Part(task, share) for share in task.shares]
    edges = yield [_alone(one.span(), task) for one in parts]
    walks = [_Halting(one.begin(edges)) for one in parts]
    fleet: float | None = None
    for _ in range(len(edges) - 1 if edges is not None else 0):
        fleet = yield _together([one.go_on(fleet) for one in walks])
    for part, walk in zip(parts, walks, strict=True):
        part.corrected = walk.end(fleet)
    del walks
    constants: FleetConstants = yield [_alone(one.slopes(), task) for one in parts]
    return [_alone(one.answer(constants), task) for one in parts]


def _alone(said: Said, task: Task) -> Said:
    """What one part said; before the next one, where they do not fit into memory together, its memory is given back."""
    if not task.keep:
        from analytics.spread.team import give_freed_back

        give_freed_back()
    return said


def _together(votes: list[Votes]) -> Votes:
    return np.concatenate([one for one, _ in votes]), np.concatenate([one for _, one in votes])


class _Halting:
    """A pass between two halts; one over no rows has none."""

    def __init__(self, walk: Walk) -> None:
        self._walk, self._begun = walk, False
        self._made: Corrected | None = None

    def go_on(self, fleet: float | None) -> Votes:
        """To the next halt, with the fleet's placing of the last one."""
        try:
            if self._begun:
                return self._walk.send(fleet)
            self._begun = True
            return next(self._walk)
        except StopIteration as end:
            self._made = end.value
            return NO_VOTES

    def end(self, fleet: float | None) -> Corrected:
        """What the pass made of its rows."""
        while self._made is None:
            self.go_on(fleet)
        return self._made


class _Part:
    """A part of the fleet on its way."""

    def __init__(self, task: Task, share: Share) -> None:
        self._task, self._share = task, share
        self._prepared: Prepared | None = None
        self._charted: stages.Charted | None = None
        self._fits: Fitted | None = None
        self._put_by: IO[bytes] | None = None
        self.corrected: Corrected | None = None

    def span(self) -> Span:
        """Its days and first checks."""
        return stages.span(self._counted())

    def begin(self, edges: Floats | None) -> Walk:
        """The pass over it."""
        one = self._counted()
        return pass_by_months(one.rows, one.counted.response_states, one.activity_variance, self._task.settings, edges)

    def slopes(self) -> SlopeVotes:
        """What it says of slopes."""
        charted = self._with_charts()
        fits = fitted(charted[1])
        if self._task.keep:
            self._charted, self._fits = charted, fits
        return stages.slopes(charted, fits)

    def answer(self, constants: FleetConstants) -> Told:
        """Its answer; nothing else is left of it."""
        prepared, charts = self._charted or self._with_charts()
        task = self._task
        one = answer(prepared.known, prepared.counted, charts, task.settings, task.as_of, constants, fits=self._fits)
        made = told(one, prepared.part.devices)
        self._prepared = self._charted = self._fits = self.corrected = None
        if self._put_by is not None:
            self._put_by.close()
        return made

    def _with_charts(self) -> stages.Charted:
        if self.corrected is None:
            raise RuntimeError("a part is charted after its pass")
        return stages.charted((self._counted(), self.corrected, []), self._task.settings)

    def _counted(self) -> Prepared:
        if self._prepared is not None:
            return self._prepared
        if self._put_by is not None:
            self._put_by.seek(0)
            again: Prepared = pickle.load(self._put_by)  # noqa: S301 - written by this object into a file without a name
            return again
        part = Part(read(self._task, self._share.probes), self._share.devices)
        made = stages.prepare(part, self._task.settings, self._task.as_of)
        if self._task.keep:
            self._prepared = made
        else:
            self._put_by = put_by(made)
        return made


def put_by(made: Prepared) -> IO[bytes] | None:
    """A counted part in a file without a name, which is gone with the process; None where the disk has no room for it."""
    file = tempfile.TemporaryFile()  # noqa: SIM115 - outlives this function
    try:
        pickle.dump(made, file, protocol=5)
        file.flush()
    except OSError:
        file.close()
        return None
    return file


def read(task: Task, probes: frozenset[str]) -> Records:
    """The records of these probes, with codes that mean the same in every part."""
    with Store(task.path).reading() as con:
        if answering_in(con) != task.revision:
            raise AlteredError
        readings = readings_in(con, sorted(probes))
        return part_records(small_tables_in(con, task.revision, readings.iloc[:0]), task.groups.categories(readings), probes)
