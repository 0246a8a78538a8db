"""What a report is made from: one revision of the store, the settings, the answer at its moment and the one before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import pandas as pd

from analytics.errors import UserError
from analytics.records.papers import Papers
from analytics.results import FleetAssessment
from analytics.settings import Settings

PERIOD = timedelta(days=364)  # where no first day is given: a year back, both days included


@dataclass(frozen=True)
class Period:
    """First and last day of what is told, and the moment of the answer."""

    from_on: date
    to_on: date
    as_of: datetime

    @property
    def start(self) -> datetime:
        """The first moment of the first day."""
        return datetime.combine(self.from_on, time.min)

    @property
    def end(self) -> datetime:
        """The last moment of the last day, or the moment of the answer where that comes first."""
        return min(datetime.combine(self.to_on, time.max), self.as_of)

    @property
    def before(self) -> datetime:
        """The moment just before it begins."""
        return self.start - timedelta(microseconds=1)

    def holds(self, at: datetime | None) -> bool:
        """Whether a moment lies in it."""
        return at is not None and self.start <= at <= self.end


def period(now: datetime, from_on: date | None, to_on: date | None, as_of: datetime | None) -> Period:
    """The period of a report; UserError for one that makes no sense.

    as_of: None: the end of ``to_on``, and now where that is later or not given.

    >>> period(datetime(2024, 5, 1, 9), None, date(2024, 3, 31), None).as_of
    datetime.datetime(2024, 3, 31, 23, 59, 59, 999999)
    >>> period(datetime(2024, 5, 1, 9), None, None, None).from_on
    datetime.date(2023, 5, 3)
    """
    if as_of is None:
        as_of = now if to_on is None else min(now, datetime.combine(to_on, time.max))
    last = to_on or as_of.date()
    if last > as_of.date():
        raise UserError(
            f"the period would end on {last}, after the moment of the answer, {as_of:%Y-%m-%d}",
            where="--to",
            do="End it that day or earlier, or leave --as-of out.",
        )
    first = from_on or last - PERIOD
    if first > last:
        raise UserError(
            f"the period would end on {last}, before it begins on {first}",
            where="--from",
            do="Give the earlier date as the first.",
        )
    return Period(first, last, as_of)


@dataclass(frozen=True)
class Scope:
    """Which probes: all, those of a site, or one."""

    site: str | None = None
    probe: str | None = None

    def probes(self, assessment: FleetAssessment) -> set[str]:
        """Their ids; UserError for a site or a probe that is not there."""
        if self.probe is not None:
            if self.probe not in {one.probe for one in assessment.probes}:
                raise UserError(f"there is no probe `{self.probe}`", where="--probe", do="Case and leading zeros count.")
            return {self.probe}
        if self.site is not None:
            mine = {one.probe for one in assessment.probes if one.site == self.site}
            if not mine:
                sites = sorted({one.site for one in assessment.probes if one.site})
                known = f"Sites are: {', '.join(sites[:12])}{' …' if len(sites) > 12 else ''}." if sites else "None is known."
                raise UserError(f"there is no site `{self.site}`", where="--site", do=known)
            return mine
        return {one.probe for one in assessment.probes}

    @property
    def words(self) -> str:
        """What the report is on."""
        return f"Probe {self.probe}" if self.probe else f"Site {self.site}" if self.site else "The whole fleet"

    @property
    def slug(self) -> str:
        """For a file's name: letters, digits and hyphens."""
        name = self.probe or self.site or "fleet"
        return "".join(one if one.isascii() and one.isalnum() else "-" for one in name).strip("-")[:40] or "report"


@dataclass(frozen=True)
class Gathered:
    """Everything the contents are made from."""

    papers: Papers
    settings: Settings
    assessment: FleetAssessment
    before: FleetAssessment | None  # at the moment before the period; None where nothing was compared
    period: Period
    scope: Scope
    by: str
    made_at: datetime
    shown: pd.DataFrame | None  # the log of alerts that were shown, with ``withdrawn``; None where it cannot be told


def gather(
    papers: Papers,
    settings: Settings,
    assess: Callable[[datetime], FleetAssessment],
    period: Period,
    scope: Scope,
    *,
    by: str,
    made_at: datetime,
    compare: bool = True,
    shown: Callable[[FleetAssessment], pd.DataFrame] | None = None,
) -> Gathered:
    """Work out the answers a report stands on. ``assess`` gives the answer of these records at a moment.

    shown: gives the log of alerts against an answer; None under settings that are for this run only, since what would
    not be said under these was not taken back.
    """
    now = assess(period.as_of)
    scope.probes(now)
    before = assess(period.before) if compare else None
    return Gathered(papers, settings, now, before, period, scope, by, made_at, shown(now) if shown is not None else None)
