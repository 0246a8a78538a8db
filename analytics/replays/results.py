"""What a replay hands on: frozen results with their units in the names. Days are whole days or days as a float."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from analytics.replays.coverage import Coverage, Recalibration
from analytics.replays.reliability import Reliability
from analytics.results import Direction, Quantity, Rule

Verdict = Literal["held", "sooner", "later", "open", "already_passed"]


@dataclass(frozen=True, slots=True)
class Forecast:
    """One forecast of one response series, as the answer of a month end gave it, and what came of it."""

    made_at: datetime
    probe: str
    window: str
    jig: str | None
    drift: int  # forecasts of one reference epoch of one series share this number: they are not independent
    newest_check_at: datetime
    limit_pct: float
    p05: date
    p50: date | None
    p95: date | None  # None: no late end was given, only an early one
    by_window: bool  # by the slide of the window
    passed_on: date | None  # None: not seen to pass
    passed_between: tuple[date, date] | None  # 90 % interval of that day, which is itself read from noisy checks
    followed_until: date  # last check before the data or the reference ended
    reference_ended: bool  # what is open stays so: a new reference ended the epoch
    verdict: Verdict
    in_doubt: bool  # another day within ``passed_between`` would change the verdict

    @property
    def two_sided(self) -> bool:
        """Whether both ends were given; else the early end alone stands for 95 %."""
        return self.p95 is not None


@dataclass(frozen=True, slots=True)
class PassedTolerance:
    """One passing of the tolerance, and the alarm that came first."""

    probe: str
    window: str
    jig: str | None
    direction: Direction
    passed_on: date
    passed_between: tuple[date, date]
    sudden: bool  # a step rather than a drift: no alarm can come long before it
    first_alarm_at: datetime | None  # of those that stood when it passed, or came after it
    first_rule: Rule | None
    lead_days: float | None  # positive: that alarm came before


@dataclass(frozen=True, slots=True)
class AlertLead:
    """One alert, and how long before (+) or after (−) the tolerance was passed it came."""

    probe: str
    window: str
    jig: str | None
    quantity: Quantity
    episode: str
    rule: Rule
    direction: Direction
    signalled_at: datetime
    settled_at: datetime | None
    passed_on: date | None  # None: the response of its probe and epoch was not seen to pass
    lead_days: float | None


@dataclass(frozen=True, slots=True)
class LeadTimes:
    """Passings of the tolerance and how early their first alarm was; drifts and steps apart."""

    drifts: int
    drifts_alarmed_before: int
    drifts_median_days: float | None  # never alarmed counts as 0; None where there is no drift
    steps: int
    steps_alarmed: int
    steps_median_days: float | None  # of the alarmed ones; negative: after the step


@dataclass(frozen=True, slots=True)
class AlarmRate:
    """Alarms on probes later found sound. An alarm is an episode: what stands on one happening is counted once."""

    confirmed_alarms: int  # on probes of which every finding on record says "none", up to the last of them
    confirmed_probe_years: float
    confirmed_probes: int
    unconfirmed_alarms: int  # on probes without any finding, never serviced, that look sound now
    unconfirmed_probe_years: float
    unconfirmed_probes: int
    open_probes: int  # neither: an alarm stands, a limit was passed, or a service came without a finding

    @property
    def confirmed_per_probe_year(self) -> float | None:
        """None where no finding was recorded."""
        return self.confirmed_alarms / self.confirmed_probe_years if self.confirmed_probe_years > 0 else None

    @property
    def unconfirmed_per_probe_year(self) -> float | None:
        """None where there is no such probe."""
        return self.unconfirmed_alarms / self.unconfirmed_probe_years if self.unconfirmed_probe_years > 0 else None


@dataclass(frozen=True, slots=True)
class NamedCause:
    """What was named just before somebody looked, and what was found."""

    probe: str
    found_at: datetime
    named_at: datetime  # the moment the answer stands for: before the service that the finding came from
    named: str
    probability: float | None  # None: no cause was named
    found: str

    @property
    def right(self) -> bool:
        """Whether both agree."""
        return self.named == self.found


@dataclass(frozen=True, slots=True)
class Replay:
    """The analysis as it would have run at the end of each earlier month."""

    until: datetime
    version: str
    revision: int
    config: str  # sha256 of the settings in force
    tolerance_pct: float
    month_ends: tuple[datetime, ...]
    forecasts: tuple[Forecast, ...]
    coverage: Coverage  # of forecasts with both ends, nominally 90 %
    early_ends: Coverage  # of forecasts with an early end alone, nominally 95 %
    recalibration: Recalibration
    passings: tuple[PassedTolerance, ...]
    lead_times: LeadTimes
    leads: tuple[AlertLead, ...]
    alarm_rate: AlarmRate
    causes: tuple[NamedCause, ...]
    reliability: Reliability
