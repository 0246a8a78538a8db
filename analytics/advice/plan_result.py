"""What a plan is: visits by site and day, sources to see to, cover that is not kept."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

TaskKind = Literal["check", "window_check", "service", "replace"]


@dataclass(frozen=True, slots=True)
class PlannedProbe:
    """One thing to do on one probe during a visit; ``due_on`` is its own date, before it was put with others."""

    probe: str
    why: str
    kind: TaskKind
    due_on: date


@dataclass(frozen=True, slots=True)
class Visit:
    """What is done at one site on one day."""

    site: str
    on: date
    probes: tuple[PlannedProbe, ...]


@dataclass(frozen=True, slots=True)
class SourceTask:
    """A check source to verify or replace; ``replace_by`` is None where it only has to be verified."""

    source: str
    replace_by: date | None
    why: str


@dataclass(frozen=True, slots=True)
class Uncovered:
    """A day from which a site has fewer fit probes than it must keep."""

    site: str
    on: date
    fit: int
    least: int
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    """The plan for the days ``from_on`` to ``to_on``, both included.

    risk_days: expected days on which some probe is used beyond tolerance, summed over probes (d); None where nothing
    is known about any probe. cost: in the site's currency; None where a cost that is needed is not set.
    """

    from_on: date
    to_on: date
    visits: tuple[Visit, ...]
    sources: tuple[SourceTask, ...]
    uncovered: tuple[Uncovered, ...]
    risk_days: float | None
    cost: float | None

    def as_json(self) -> dict[str, Any]:
        """The document of ``plan --json``: dates as ISO 8601 text, unknown numbers as None."""
        return {
            "visits": [
                {
                    "site": visit.site,
                    "on": visit.on.isoformat(),
                    "probes": [{"probe": task.probe, "why": task.why, "kind": task.kind} for task in visit.probes],
                }
                for visit in self.visits
            ],
            "sources": [
                {
                    "source": one.source,
                    "why": one.why,
                    "replace_by": one.replace_by.isoformat() if one.replace_by is not None else None,
                }
                for one in self.sources
            ],
            "uncovered": [
                {"site": one.site, "on": one.on.isoformat(), "fit": one.fit, "least": one.least, "why": one.why}
                for one in self.uncovered
            ],
            "risk_days": self.risk_days,
            "cost": self.cost,
        }
