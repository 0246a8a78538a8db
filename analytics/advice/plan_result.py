"""What a plan is: visits by site and day, the site's own rounds, sources to see to, cover that is not kept."""

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
    """What is done at one site on one day; ``sources`` are the check sources replaced then."""

    site: str
    on: date
    probes: tuple[PlannedProbe, ...]
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Round:
    """A constancy check that the site's own people do, so that nobody has to come for it."""

    site: str
    probe: str
    next_on: date
    every_days: float | None  # None: once
    why: str


@dataclass(frozen=True, slots=True)
class SourceTask:
    """A check source to verify or replace; ``replace_by`` is None where it only has to be verified."""

    source: str
    replace_by: date | None
    why: str
    site: str | None = None


@dataclass(frozen=True, slots=True)
class Uncovered:
    """Operating days from ``on`` to ``until`` on which a site has fewer fit probes of a kind than it must keep.

    fit: the fewest there are on one of these days. kind: empty where the site's probes count together. missing: what is
    missing, probe-days.
    """

    site: str
    on: date
    fit: int
    least: int
    why: str
    until: date | None = None
    kind: str = ""
    missing: int = 0


@dataclass(frozen=True, slots=True)
class ProposedLoan:
    """A spare that would have to be lent so that a cover is kept; days both included."""

    probe: str
    from_site: str
    to_site: str
    from_on: date
    to_on: date
    why: str


@dataclass(frozen=True, slots=True)
class Yardstick:
    """What the plain plan comes to, with each probe on its own due date; days: its visits, as site and day."""

    visits: int
    cost: float | None
    risk_days: float | None
    days_short: int  # probe-days of cover that are missing
    days: tuple[tuple[str, date], ...] = ()
    risk_by_probe: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """The plan for the days ``from_on`` to ``to_on``, both included.

    risk_days: expected days on which some probe is used beyond tolerance, summed over probes (d); None where nothing
    is known about any probe. cost: in the site's currency; None where a cost that is needed is not set, which
    ``cost_missing`` then names. gap_pct: the plan is at most so much dearer than the best there can be (%); None for
    a plan that was not optimised. due_dates: the plain plan it is compared with.
    """

    from_on: date
    to_on: date
    visits: tuple[Visit, ...]
    sources: tuple[SourceTask, ...]
    uncovered: tuple[Uncovered, ...]
    risk_days: float | None
    cost: float | None
    cost_missing: tuple[str, ...] = ()
    rounds: tuple[Round, ...] = ()
    loans: tuple[ProposedLoan, ...] = ()
    gap_pct: float | None = None
    due_dates: Yardstick | None = None
    risk_by_probe: tuple[tuple[str, float], ...] = ()  # d, of every probe with a forecast

    @property
    def days_short(self) -> int:
        """Probe-days of cover that are missing."""
        return sum(one.missing for one in self.uncovered)

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
                {
                    "site": one.site,
                    "on": one.on.isoformat(),
                    "until": one.until.isoformat() if one.until is not None else None,
                    "kind": one.kind or None,
                    "fit": one.fit,
                    "least": one.least,
                    "probe_days": one.missing,
                    "why": one.why,
                }
                for one in self.uncovered
            ],
            "risk_days": self.risk_days,
            "cost": self.cost,
            "cost_missing": list(self.cost_missing),
            "rounds": [
                {
                    "site": one.site,
                    "probe": one.probe,
                    "next_on": one.next_on.isoformat(),
                    "every_days": one.every_days,
                    "why": one.why,
                }
                for one in self.rounds
            ],
            "loans": [
                {
                    "probe": one.probe,
                    "from_site": one.from_site,
                    "to_site": one.to_site,
                    "from": one.from_on.isoformat(),
                    "to": one.to_on.isoformat(),
                    "why": one.why,
                }
                for one in self.loans
            ],
            "gap_pct": self.gap_pct,
            "due_date_plan": None
            if self.due_dates is None
            else {
                "visits": self.due_dates.visits,
                "cost": self.due_dates.cost,
                "risk_days": self.due_dates.risk_days,
                "uncovered_probe_days": self.due_dates.days_short,
            },
        }
