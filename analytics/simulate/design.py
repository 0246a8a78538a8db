"""What a simulated fleet is made of, before anything is counted: sites, probes, sources, jigs, faults and services.

Times are days since the fleet's start (float); what is negative lies before it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

from analytics.simulate.physics import Floats

# Kind of fault -> the cause (word of the results) that a right analysis gives.
CAUSE_OF = {
    "gain_drift": "window_slip",
    "efficiency_loss": "efficiency_loss",
    "step": "sudden_loss",
    "shield": "shield",
    "intermittent": "intermittent",
    "dead_cable": "intermittent",
    "double_pulsing": "electronics",
    "pulser": "electronics",
    "mains": "electronics",
    "contamination_splash": "contamination",
    "contamination": "contamination",
    "polarisation": "battery_or_temperature",
    "battery": "battery_or_temperature",
    "temperature": "battery_or_temperature",
}
GRADUAL = frozenset({"gain_drift", "efficiency_loss"})


@dataclass(frozen=True)
class Window:
    """An energy window as registered: full width over centre, and how far the offset windows are set off (%)."""

    name: str
    nuclide: str
    centre_kev: float
    width_pct: float = 20.0
    offset_pct: float = 10.0


CO57_WINDOW = Window("Co-57", "Co-57", 122.06)
TC99M_WINDOW = Window("Tc-99m", "Tc-99m", 140.51)


@dataclass(frozen=True)
class Site:
    """A place with its own background, jig and control units."""

    name: str
    background_cps: float = 3.0
    background_overdispersion: float = 0.05  # relative sd of the level from check to check, on top of Poisson
    weekday: int = 0
    count_time_s: float = 10.0
    background_time_s: float = 10.0
    operators: tuple[str, ...] = ("tech 1", "tech 2", "tech 3")
    room_c: float = 21.0
    room_swing_c: float = 1.5


@dataclass(frozen=True)
class Jig:
    """A geometry holder; knocked, it holds the source ``by_mm`` further away from ``knocked_day`` on."""

    name: str
    site: str
    distance_mm: float = 25.0
    knocked_day: float = math.inf
    mended_day: float = math.inf
    by_mm: float = 0.0


@dataclass(frozen=True)
class Source:
    """A check source with what its record says and what it truly is."""

    name: str
    site: str
    reference_day: float  # of the certificate, as recorded
    activity_kbq: float  # stated, at reference_day
    used_from: float
    used_to: float = math.inf
    activity_factor: float = 1.0  # true over stated
    excess_decay_pct_per_year: float = 0  # 10: falls 10 % a year faster than Co-57
    reference_error_days: float = 0.0  # recorded minus true reference day
    uncertainty_pct: float | None = 1.5
    nuclide: str = "Co-57"

    @property
    def bad(self) -> bool:
        """Whether the record of this source is wrong beyond what its certificate allows."""
        return (
            self.excess_decay_pct_per_year != 0
            or self.reference_error_days != 0
            or abs(math.log(self.activity_factor)) > 0.06
        )


@dataclass(frozen=True)
class Probe:
    """One probe with its hidden properties and how it is checked."""

    name: str
    site: str
    detector: str = "CZT"
    model_type: str = ""
    connection: str = "cabled"
    diameter_mm: float = 12.0
    in_service_day: float = -700.0
    replacement_cost: float | None = None
    dead_time_us: float = 5.0
    paralysable: bool = False
    fwhm_pct: float = 8.0
    gain_offset_pct: float = 0.0  # how far the window was off when the probe was set up
    scatter_per_kev: float = 0.0008
    sensitivity_cps_per_kbq: float = 6.0  # in its Co-57 window, in the jig, as set up
    repositioning_pct: float = 1.0
    side_leak_pct: float = 0.15
    cadence_days: float = 7.0
    phase_days: float = 0.0
    background_every: int = 1  # a background counting at every n-th check
    repeats: int = 1
    reseated_repeats: bool = False
    windows: tuple[Window, ...] = (CO57_WINDOW,)
    window_check_days: float = 182.0
    window_check_phase: float = 0.3  # when in the half-year, 0 to 1
    side_every_days: float = math.inf
    logs_temperature: bool = False
    logs_battery: bool = False
    logs_on_minutes: bool = False
    jig: str = ""
    readout: str = ""
    checked_from: float = 0.0
    checked_to: float = math.inf
    gaps: tuple[tuple[float, float], ...] = ()
    note: str | None = None


@dataclass(frozen=True)
class Fault:
    """One thing that goes wrong with one probe, from ``onset`` until a service ends it.

    per_year: slope; of ln(response) for efficiency_loss (negative), of the gain for gain_drift, both per year.
    size: step of ln(response); added cps (contamination, mains); leak in % (shield); probability that a counting loses
    contact (intermittent); share of pulses counted twice (double_pulsing), or that come clocked (pulser); coefficient
    (temperature: ln per °C; battery: ln at an empty one; polarisation: ln reached long after switch-on).
    widening: relative growth of the FWHM for each unit of ln(response) lost.
    wander: random path added to ln(response) or gain, one value a day from the onset.
    """

    probe: str
    kind: str
    onset: float
    until: float = math.inf
    per_year: float = 0.0
    size: float = 0.0
    widening: float = 0.0
    wander: Floats | None = None
    hours_before_check: float | None = None  # moved to so long before the next check, so that a check can see it
    seen_by_last: int | None = None  # moved to just before the last so many checks of the probe
    goes_on_from: int | None = None  # index of the fault that a service was to end and did not

    @property
    def gradual(self) -> bool:
        """Whether it is a slow change of response or gain."""
        return self.kind in GRADUAL


@dataclass(frozen=True)
class Service:
    """Something done to a probe: the event, and what it changes in truth."""

    probe: str
    day: float
    kind: str
    held: bool | None = None  # None: nothing was to be mended
    level: float = 0.0  # step of ln(response) that stays after it
    new_reference: bool | None = None  # None: the default of its kind
    site: str | None = None
    by: str | None = None
    cost: float | None = None
    note: str | None = None
    fault: int | None = None  # index of the fault it was to end

    @property
    def makes_reference(self) -> bool:
        """Whether a new reference starts here (the contract's default of the kind where nothing else is said)."""
        return (
            self.new_reference
            if self.new_reference is not None
            else self.kind in ("repair", "detector_replaced", "recentred")
        )


@dataclass(frozen=True)
class Design:
    """A whole fleet ready to be counted."""

    starts_at: datetime
    days: float
    sites: tuple[Site, ...]
    probes: tuple[Probe, ...]
    sources: tuple[Source, ...]
    jigs: tuple[Jig, ...]
    faults: tuple[Fault, ...] = ()
    services: tuple[Service, ...] = ()
    blunder_rate: float = 0.005
    missed_rate: float = 0.03  # planned checks that were skipped
    repeat_after_outlier: float = 0.3  # how often somebody repeats a check that looks far off, reseated
    spoiled: tuple[tuple[str, int, str], ...] = ()  # blunders that must happen: probe, number of its check, kind
    horizon_days: float = 5 * 365.25  # how far past the end true crossings are followed
    tables: dict[str, object] = field(default_factory=dict)  # ready-made tables (inspections, uses, outcomes)

    @cached_property
    def faults_of(self) -> dict[str, list[Fault]]:
        """The faults of each probe that has any, in the order of the design."""
        found: dict[str, list[Fault]] = {}
        for one in self.faults:
            found.setdefault(one.probe, []).append(one)
        return found

    @cached_property
    def services_of(self) -> dict[str, list[Service]]:
        """The services of each probe that has any, in the order of the design."""
        found: dict[str, list[Service]] = {}
        for one in self.services:
            found.setdefault(one.probe, []).append(one)
        return found
