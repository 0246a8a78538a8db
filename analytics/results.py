"""What the analysis hands on: frozen results with their units in the names, and the one columnar table of points.

Everything a page, a report or a command shows is in these objects. A number that is not known is None
(NaN inside the point table). Times are naive site-local ``datetime``s. Intervals are 90 %.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal, cast

import pandas as pd

Quantity = Literal["response", "background", "window_shift", "window_width", "scatter", "side"]
Direction = Literal["low", "high", "both"]
Rule = Literal[
    "outside_limits", "same_side", "cusum", "ewma", "change_point", "drift", "action_level", "tolerance",
    "no_signal", "background", "window_shift", "scatter", "side", "below_side_readings",
]
ProbeAdvice = Literal["use", "watch", "service", "retire", "undetermined"]
DeviceAdvice = Literal["use", "verify", "replace"]
PatientUse = Literal["allowed", "repeat_first", "not_until_cleared"]
Cause = Literal[
    "none", "window_slip", "efficiency_loss", "sudden_loss", "contamination", "intermittent", "shield",
    "electronics", "battery_or_temperature", "record_error", "check_source", "unknown",
]

# What happened to a point on its way into the charts (column ``flag`` of the point table).
PointFlag = Literal[
    "used",          # went into the charts
    "reference",     # went into the charts and into the reference
    "lone_outlier",  # far from its neighbours and not confirmed by the next check: shown, not charted
    "pending",       # the newest check lies far off: a reseated repeat is asked for
    "excluded",      # hidden from the analysis by a person, with a reason
    "no_signal",     # net counts below the decision limit: no logarithm exists
]


@dataclass(frozen=True, slots=True)
class Alert:
    """One opening of an alarm on one series."""

    episode: str
    rule: Rule
    signalled_at: datetime  # taken_at of the counting that tipped it
    onset_estimate: datetime | None
    settled_at: datetime | None
    direction: Direction
    detail: str


@dataclass(frozen=True, slots=True)
class Reference:
    """What the series was: robust centre of its reference period, with its own uncertainty (k=1)."""

    value: float
    value_sd: float
    unit: str
    readings: int
    from_at: datetime
    to_at: datetime


@dataclass(frozen=True, slots=True)
class Crossing:
    """When the true quantity passes a limit."""

    limit_pct: float
    p05: date | None
    p50: date | None
    p95: date | None
    probability_within_days: dict[int, float]


@dataclass(frozen=True, slots=True)
class SeriesResult:
    """One charted quantity of a probe × window × jig × collimator × nuclide."""

    index: int  # value of ``points.series``
    probe: str
    window: str
    jig: str | None
    collimator: str | None
    nuclide: str | None
    quantity: Quantity
    unit: str
    readings: int  # checks that were charted
    latest_at: datetime | None
    reference: Reference | None
    current: float | None
    current_interval: tuple[float, float] | None
    current_pct: float | None
    drift_per_year: float | None
    drift_interval: tuple[float, float] | None
    drift_pct_per_year: float | None
    crossing: Crossing | None
    repeat_requested: bool
    alerts: tuple[Alert, ...]
    action_pct: float | None = None
    tolerance_pct: float | None = None
    notes: tuple[str, ...] = ()  # flags in sentences: gross response, borrowed background, dead-time loss above 10 %


@dataclass(frozen=True, slots=True)
class Overrule:
    """Advice that a named person set beside the computed one."""

    advice: ProbeAdvice
    by: str
    reason: str
    decided_at: datetime
    until: date | None


@dataclass(frozen=True, slots=True)
class ProbeResult:
    """The answer for one probe."""

    probe: str
    site: str
    advice: ProbeAdvice
    patient_use: PatientUse
    cause: Cause
    cause_probability: float | None
    reasons: tuple[str, ...]
    missing: tuple[str, ...] = ()  # for ``undetermined``: what would have to be there
    cause_probabilities: dict[str, float] = field(default_factory=dict)
    latest_check_at: datetime | None = None
    next_check_due_on: date | None = None
    next_window_check_due_on: date | None = None
    decided_by: str = ""  # row of the decision table that gave the advice
    because: str = ""  # its conditions with what was found
    facts: dict[str, bool | float | str | frozenset[str] | None] = field(default_factory=dict)  # what the table was asked with
    costs: tuple[tuple[str, str], ...] = ()  # keep against replace: what and how much; what is missing
    overrule: Overrule | None = None
    clearing_verified: bool = True  # a clearing made now would rest on checks that verify it


@dataclass(frozen=True, slots=True)
class DeviceResult:
    """The answer for a check source, a jig or a control unit."""

    kind: Literal["source", "jig", "readout"]
    name: str
    site: str | None
    advice: DeviceAdvice
    reasons: tuple[str, ...]
    alerts: tuple[Alert, ...]
    activity_kbq: float | None = None  # stated activity decayed to as_of, sources only
    rate_now_cps: float | None = None  # median net rate on it at as_of, sources only
    too_weak_on: date | None = None    # 3 % in 10 s not reached after this day, sources only
    offset_pct: float | None = None    # common movement now, against its own start (source: against the certificate)
    offset_interval_pct: tuple[float, float] | None = None


# Columns of ``FleetAssessment.points``, one row a charted check of a series, ordered by (series, check_at):
POINT_COLUMNS = {
    "series": "int32: SeriesResult.index",
    "check": "int64: id of the check within this assessment; joins ``countings.check``",
    "check_at": "datetime64[us]: taken_at of the counting that completes the check's value",
    "value": "float64: in the series' unit, as the record gives it (decay, dead time, background done)",
    "value_low": "float64: lower end of the 90 % interval of the value (counting and repositioning)",
    "value_high": "float64: upper end",
    "corrected": "float64: value with the shared movement of source/jig taken off (the charted value)",
    "expected": "float64: reference at that moment, in unit",
    "limit_low": "float64: lower Shewhart limit at that moment (follows the counting variance), in unit",
    "limit_high": "float64: upper one",
    "z": "float64: standardised residual against the reference",
    "statistic": "float64: largest chart statistic in force divided by its threshold; above 1 signals",
    "shared_pct": "float64: shared movement that was taken off, per cent",
    "flag": "category: PointFlag",
    "source": "category or null: check source in use",
    "jig": "category or null",
    "readout": "category or null",
}

# Columns of ``FleetAssessment.countings``: which countings made which check, and their role.
COUNTING_COLUMNS = {
    "check": "int64",
    "reading_id": "int64: as in Records.readings",
    "role": "category: source, background, borrowed_background, window_below, window_above, side",
}

# Columns of ``FleetAssessment.shared``: common movement of each check source (and jig, control unit) over time.
SHARED_COLUMNS = {
    "kind": "category: source, jig, readout",
    "name": "category",
    "at": "datetime64[us]",
    "offset_pct": "float64: robust mean of what all probes on it do together, per cent",
    "offset_low_pct": "float64: 90 % interval",
    "offset_high_pct": "float64",
    "probes": "int32: probes that speak for it within the window",
}


LATE = ("points", "countings", "shared")


@dataclass(frozen=True, slots=True)
class FleetAssessment:
    """The whole answer for one moment."""

    as_of: datetime
    version: str
    revision: int
    config: str  # sha256 of the settings in force
    series: tuple[SeriesResult, ...]
    probes: tuple[ProbeResult, ...]
    sources: tuple[DeviceResult, ...]
    jigs: tuple[DeviceResult, ...]
    readouts: tuple[DeviceResult, ...]
    points: pd.DataFrame
    countings: pd.DataFrame
    shared: pd.DataFrame

    def probe(self, name: str) -> ProbeResult:
        """The answer for one probe; KeyError where it is not registered."""
        for one in self.probes:
            if one.probe == name:
                return one
        raise KeyError(name)

    def series_of(self, probe: str, quantity: str | None = None) -> tuple[SeriesResult, ...]:
        """All series of a probe, or those of one quantity, in order."""
        return tuple(s for s in self.series if s.probe == probe and (quantity is None or s.quantity == quantity))

    def points_of(self, series: SeriesResult) -> pd.DataFrame:
        """The points of one series in time order."""
        return self.points[self.points["series"] == series.index]


def _made() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    raise AssertionError("a mark, never called")


class LateTables(FleetAssessment):
    """An answer whose points, countings and common movements are put together when one of them is first asked for."""

    __slots__ = ("_tables",)
    _tables: Callable[[], tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]]

    @classmethod
    def of(cls, tables: Callable[[], tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]], **given: object) -> LateTables:
        """Everything but the three tables is given by name."""
        out = object.__new__(cls)
        object.__setattr__(out, "_tables", tables)
        for name, value in given.items():
            object.__setattr__(out, name, value)
        return out

    def __getattr__(self, name: str) -> pd.DataFrame:
        """Only asked where a place is still empty."""
        if name not in LATE:
            raise AttributeError(name)
        make = self._tables
        if make is not _made:
            for late, table in zip(LATE, make(), strict=True):
                object.__setattr__(self, late, table)
            object.__setattr__(self, "_tables", _made)  # what they were made from may go
        return cast(pd.DataFrame, object.__getattribute__(self, name))
