"""A check log written line by line, for tests that need to say exactly what was counted when."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from analytics import settings
from analytics.answer import as_json
from analytics.fleet import assess
from analytics.records.snapshot import (
    DECISIONS,
    EVENTS,
    INSPECTIONS,
    OUTCOMES,
    PROBES,
    READINGS,
    SOURCES,
    USES,
    WINDOWS,
    Records,
)
from analytics.results import FleetAssessment, ProbeResult, SeriesResult
from analytics.settings import Settings

START = datetime(2022, 1, 3, 8)  # a Monday
HALF_LIFE_DAYS = 271.74  # Co-57, ICRP 107, as shipped
SHIPPED = settings.load()
BACKGROUND_CPS = 3.0


@dataclass
class Log:
    """Rows of every table, in the order written; ``records()`` makes the snapshot of them."""

    seed: int = 1
    readings: list[dict] = field(default_factory=list)
    probes: list[dict] = field(default_factory=list)
    sources: list[dict] = field(default_factory=list)
    windows: list[dict] = field(default_factory=list)
    events: list[dict] = field(default_factory=list)
    decisions: list[dict] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Every log counts its own luck."""
        self.rng = np.random.default_rng(self.seed)

    def source(self, name: str = "CK-1", **more: object) -> Log:
        """Register a Co-57 source of 300 kBq, dated to the start."""
        row = {"source": name, "nuclide": "Co-57", "reference_at": START, "activity_kbq": 300.0,
               "activity_uncertainty_pct": 1.5, "site": "A"}
        self.sources.append(row | more)
        return self

    def probe(self, *names: str, **more: object) -> Log:
        """Register probes."""
        self.probes.extend({"probe": name, "site": "A"} | more for name in names)
        return self

    def event(self, probe: str, day: float, kind: str, new_reference: bool = False) -> Log:
        """Something that happened to a probe."""
        self.events.append({"event_id": len(self.events) + 1, "probe": probe, "kind": kind,
                            "happened_at": START + timedelta(days=day), "new_reference": new_reference})
        return self

    def decide(self, probe: str, day: float, kind: str) -> Log:
        """What a named person decided on a probe."""
        self.decisions.append({
            "decision_id": len(self.decisions) + 1, "probe": probe, "kind": kind, "by": "a physicist",
            "decided_at": START + timedelta(days=day), "reason": "as agreed"})
        return self

    def count(self, probe: str, day: float, measurement: str, counts: float, **more: object) -> Log:
        """One counting of ten seconds, as typed."""
        row = {"probe": probe, "taken_at": START + timedelta(days=day), "window": "Co-57", "measurement": measurement,
               "counts": counts, "count_time_s": 10.0}
        if measurement != "background":
            row |= {"source": "CK-1", "jig": "J-1"}
        self.readings.append(row | more)
        return self

    def checks(
        self, probe: str, days: Sequence[float], *, rate_cps: float = 1500.0,
        level: Callable[[float], float] | None = None, placing: float = 0.01, background: bool = True,
        background_cps: float = BACKGROUND_CPS, reference_day: float = 0.0, **more: object,
    ) -> Log:
        """Checks of a probe on these days: background first, then the source, with counting and placing luck.

        level(day) multiplies the response; rate_cps is the net rate on ``reference_day``; ``more`` goes to the row.
        """
        for day in days:
            factor = 1.0 if level is None else level(day)
            decayed = 2.0 ** (-(day - reference_day) / HALF_LIFE_DAYS)
            net = rate_cps * factor * decayed * np.exp(self.rng.normal(0.0, placing))
            if background:
                self.count(probe, day, "background", float(self.rng.poisson(10.0 * background_cps)))
            self.count(probe, day + 2e-3, "source", float(self.rng.poisson(10.0 * (net + background_cps))), **more)
        return self

    def records(self) -> Records:
        """The snapshot, readings in the order of the moments."""
        rows = sorted(self.readings, key=lambda one: one["taken_at"])
        rows = [{"reading_id": n, "row": n, "load": 1, "file": "typed"} | one for n, one in enumerate(rows, 1)]
        table = Records.table
        return Records(
            1, table(READINGS, _frame(rows)), table(PROBES, _frame(self.probes)), table(SOURCES, _frame(self.sources)),
            table(WINDOWS, _frame(self.windows)), table(EVENTS, _frame(self.events)), table(INSPECTIONS), table(USES),
            table(OUTCOMES), table(DECISIONS, _frame(self.decisions)))

    def assess(self, day: float, layer: Settings = SHIPPED) -> FleetAssessment:
        """The answer on that day."""
        return assess(self.records(), layer, START + timedelta(days=day))

    def answer(self, day: float, layer: Settings = SHIPPED) -> dict:
        """The answer as the document of the contract."""
        return as_json(self.assess(day, layer))


def _frame(rows: list[dict]) -> dict[str, list] | None:
    """Rows as columns; a cell that a row does not have is missing."""
    names = dict.fromkeys(name for row in rows for name in row)
    return {name: [row.get(name) for row in rows] for name in names} or None


def weekly(checks: int, first: float = 0.0, offset: float = 0.0) -> list[float]:
    """Days of so many weekly checks."""
    return [first + 7.0 * n + offset for n in range(checks)]


def sound_log(probes: int = 4, checks: int = 40, seed: int = 1, **more: object) -> Log:
    """A log of sound probes ``S-1`` …, read weekly on one source."""
    log = Log(seed).source()
    for n in range(1, probes + 1):
        log.probe(f"S-{n}").checks(f"S-{n}", weekly(checks, offset=0.02 * n), rate_cps=1200.0 + 150.0 * n, **more)
    return log


def response(answer: FleetAssessment, probe: str) -> SeriesResult:
    """The one response series of a probe."""
    (only,) = answer.series_of(probe, "response")
    return only


def rules(answer: FleetAssessment, probe: str, *, still_open: bool = False) -> set[str]:
    """Rules of every alert of a probe."""
    return {a.rule for s in answer.series_of(probe) for a in s.alerts if not still_open or a.settled_at is None}


def advice(answer: FleetAssessment, probe: str) -> ProbeResult:
    """What is said on a probe."""
    return answer.probe(probe)
