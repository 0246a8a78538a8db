"""What is known about a probe beside its charts, and the facts that the decision table is asked with."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from analytics.advice.decision_facts import Facts, Value
from analytics.advice.evidence import Evidence
from analytics.advice.fitness import Fitness
from analytics.advice.last_service import LastService
from analytics.advice.named_windows import NamedWindows
from analytics.advice.replacement import KeepOrReplace
from analytics.advice.unjudged import Unjudged
from analytics.results import Crossing, Overrule

HELD_BELOW = 0.1  # probability of not having held
SERVICE_KINDS = ("repair", "detector_replaced", "recentred", "cable_replaced")


@dataclass
class Situation:
    """What is known about a probe beside its charts."""

    evidence: Evidence
    services: list[tuple[float, str]] = field(default_factory=list)  # day, kind, in order
    checks_in_force: int = 0
    least_checks: int = 5
    overdue: list[str] = field(default_factory=list)  # sentences
    unread_since: str | None = None  # kind and day of a service with no check after it
    not_told_apart: str | None = None  # what would tell it from its source
    repeat_requested: bool = False
    crossing: Crossing | None = None
    windows: NamedWindows = field(default_factory=NamedWindows)  # of the findings, where there is more than one
    silent_once: bool = False  # the newest check shows no signal
    remarks: tuple[str, ...] = ()  # what is to be said of the numbers themselves: a gross response
    slip: str | None = None  # what the newest check would be if it were a slip of the pen
    out_of_use: bool = False  # withdrawn or set out of use by a person, not cleared since
    uncleared: str | None = None  # day of an alarm that forbids use and that nothing has answered
    withdrawn: str | None = None  # day it was withdrawn, while it is
    clearing: tuple[str, ...] = ()  # sentences: a clearing that clears nothing, and why
    clearing_verified: bool = True  # a clearing made now would rest on checks that verify it
    cleared: bool = False  # by a person after every alarm that stands, on good checks
    earlier_alarm_before_service: bool = False
    ever_read: bool = True
    unjudged: Unjudged | None = None  # checks that gave no response
    now_days: float = 0.0
    tolerance_pct: float = 10.0
    as_of: datetime = datetime(1970, 1, 1)
    services_window_days: float = 730.0
    visit_days: float = 365.0
    last: LastService | None = None  # how the last service is judged
    fitness: Fitness = field(default_factory=Fitness)
    age_years: float | None = None
    life_years: float | None = None
    costs: KeepOrReplace = field(default_factory=KeepOrReplace)
    overrule: Overrule | None = None

    @property
    def not_judged(self) -> str | None:
        """Why the newest check tells nothing of the probe; None where it does."""
        return self.unjudged.sentence if self.unjudged is not None and self.unjudged.newest else None

    @property
    def likely_outside(self) -> bool:
        """An alarm stands that neither service nor person has answered, and the level is likelier beyond tolerance than within it."""
        unanswered = self.evidence.open_rules - (self.last.answered if self.last is not None else frozenset())
        known = np.isfinite(self.evidence.probability_outside) and not self.evidence.no_signal
        return bool(unanswered and known and not self.cleared and self.evidence.probability_outside >= 0.5)

    def recent_services(self) -> int:
        """Services within the window."""
        return sum(self.now_days - when <= self.services_window_days for when, _ in self.services)

    def same_alarm_again(self) -> bool:
        """The same kind of alarm before a service within the window and again after it."""
        return self.earlier_alarm_before_service and bool(self.evidence.open_rules) and self.recent_services() > 0

    def surely_held(self) -> bool:
        """Level and drift say that the last service held: an alarm that stands again is another matter."""
        return self.last is not None and self.last.not_held is not None and self.last.not_held < HELD_BELOW

    def before_visit(self) -> float | None:
        """Probability of leaving tolerance before the next visit, between the days it was computed for by a straight line.

        Beyond the last of those days the chance at that day stands, which it is at least. None where nothing is forecast.
        """
        if self.crossing is None or not self.crossing.probability_within_days:
            return None
        within = sorted(self.crossing.probability_within_days.items())
        return float(np.interp(self.visit_days, [0, *(d for d, _ in within)], [0.0, *(p for _, p in within)]))


def facts_of(s: Situation, cause: str, probability: float) -> Facts:
    """The facts by name; None where one is not known."""
    e = s.evidence
    answered = s.last.answered if s.last is not None else frozenset()
    out: dict[str, Value] = {
        "overdue": bool(s.overdue),
        "unverified_return": s.unread_since is not None,
        "never_read": not s.ever_read,
        "newest_not_judged": s.not_judged is not None,
        "not_told_apart": s.not_told_apart is not None,
        "too_few_checks": s.checks_in_force < s.least_checks and not e.no_signal,
        "alarm": frozenset(e.open_rules) - answered,
        "alarms_standing": float(len(e.open_rules)),
        "alarms_unanswered": float(len(e.open_rules - answered)),
        "cause": cause,
        "cause_probability": probability if cause != "none" else None,
        "change_pct": abs(e.change_pct) if e.change_interval_pct is not None and not e.no_signal else None,
        "probability_outside_now": e.probability_outside if np.isfinite(e.probability_outside) and not e.no_signal else None,
        "probability_outside_before_visit": s.before_visit(),
        "probability_service_not_held": s.last.not_held if s.last is not None and s.recent_services() else None,
        "same_alarm_again": s.same_alarm_again() and bool(e.open_rules - answered) and not s.surely_held(),
        "services_in_window": float(s.recent_services()),
        "days_since_service": s.now_days - s.services[-1][0] if s.services else None,
        "sensitivity_over_floor": s.fitness.over_floor,
        "inspection_failed": bool(s.fitness.failed),
        "age_years": s.age_years,
        "age_over_life": s.age_years / s.life_years if s.age_years is not None and s.life_years else None,
        "keep_over_replace": s.costs.ratio,
        "repeat_requested": s.repeat_requested,
        "goes_with_conditions": e.companion is not None,
        "not_cleared": s.uncleared is not None or s.out_of_use,
    }
    return out
