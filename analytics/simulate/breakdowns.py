"""Which probes break, how, when, and what the services did about it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.random import Generator

from analytics.simulate.design import CAUSE_OF, Fault, Probe, Service
from analytics.simulate.physics import YEAR_DAYS, Floats

# Share of the probes with each kind of fault; the rest stays sound.
MIX = {
    "efficiency_loss": 0.16,
    "gain_drift": 0.07,
    "step": 0.08,
    "contamination_splash": 0.05,
    "contamination": 0.03,
    "intermittent": 0.05,
    "dead_cable": 0.02,
    "shield": 0.02,
    "double_pulsing": 0.02,
    "pulser": 0.01,
    "temperature": 0.015,
    "battery": 0.01,
    "polarisation": 0.01,
}
# Only what the acceptance of alarms names: drifts, steps, contamination, intermittent faults.
NAMED = ("efficiency_loss", "gain_drift", "step", "contamination_splash", "contamination", "intermittent")


@dataclass
class Breakdowns:
    """Probes with their faults and services, while a fleet is being put together."""

    probes: list[Probe]
    faults: list[Fault] = field(default_factory=list)
    services: list[Service] = field(default_factory=list)

    def add(self, probe: str, kind: str, onset: float, **how: object) -> int:
        """Add a fault and return its number."""
        if kind not in CAUSE_OF:
            raise ValueError(f"no such kind of fault: {kind}")
        self.faults.append(Fault(probe, kind, onset, **how))  # type: ignore[arg-type]
        return len(self.faults) - 1

    def change(self, name: str, **what: object) -> None:
        """Change fields of one probe."""
        self.probes = [replace(one, **what) if one.name == name else one for one in self.probes]  # type: ignore[arg-type]

    def mend(
        self,
        number: int,
        day: float,
        kind: str,
        *,
        held: bool,
        level: float = 0.0,
        restored: float = 1.0,
        **how: object,
    ) -> None:
        """A service that ends the fault ``number``; where it does not hold, the fault goes on from there.

        level: step of ln(response) that the service leaves.
        restored: how much of what was lost comes back when it does not hold.
        """
        fault = self.faults[number]
        self.faults[number] = replace(fault, until=day)
        self.services.append(Service(fault.probe, day, kind, held=held, level=level, fault=number, **how))  # type: ignore[arg-type]
        if not held:
            lost = fault.per_year * (day - fault.onset) / YEAR_DAYS if fault.kind == "efficiency_loss" else 0.0
            self.services[-1] = replace(self.services[-1], level=level + (1.0 - restored) * lost)
            self.faults.append(replace(fault, onset=day, until=math.inf, goes_on_from=number))


def draw_breakdowns(
    probes: list[Probe], days: float, mix: Mapping[str, float], rng: Generator, *, repaired: float, held: float
) -> Breakdowns:
    """Draw faults for a share of the probes by ``mix``, with services that hold or not."""
    broken = Breakdowns(list(probes))
    order = [probes[number] for number in rng.permutation(len(probes))]
    wanted = {kind: round(share * len(probes)) for kind, share in mix.items() if share > 0}
    for kind in sorted(wanted, key=lambda one: one not in ("polarisation", "battery")):
        fitting = [one for one in order if _fits(one, kind)]
        for probe in fitting[: max(wanted[kind], 1) if len(probes) >= 60 else wanted[kind]]:
            order.remove(probe)
            _break(broken, probe, kind, _fate(days, repaired, held, rng), rng)
    return broken


def _fate(days: float, repaired: float, held: float, rng: Generator) -> _Fate:
    onset = float(rng.uniform(0.15, 0.85) * days)
    repair_day = onset + float(rng.uniform(150.0, 600.0))
    mended = bool(rng.random() < repaired) and repair_day < days - 100.0
    holds, new_level = bool(rng.random() < held), float(rng.normal(0.0, 0.02))
    return _Fate(onset, days, repair_day if mended else None, holds, new_level)


def _fits(probe: Probe, kind: str) -> bool:
    """Whether a fault of this kind can happen to, and be seen on, this probe."""
    if kind == "polarisation":
        return probe.detector == "CdTe"
    if kind == "battery":
        return probe.connection == "wireless"
    return kind not in ("intermittent", "dead_cable") or probe.connection == "cabled"


@dataclass(frozen=True)
class _Fate:
    """When one probe breaks, and what the service will do."""

    onset: float
    days: float
    repair_day: float | None
    holds: bool
    new_level: float


def _break(broken: Breakdowns, probe: Probe, kind: str, fate: _Fate, rng: Generator) -> None:
    """Break one probe in one way."""
    if kind in ("efficiency_loss", "gain_drift"):
        _drift(broken, probe, kind, fate, rng)
    elif kind in ("contamination_splash", "contamination"):
        _splash(broken, probe, kind, fate, rng)
    elif kind in ("intermittent", "dead_cable"):
        _cable(broken, probe, kind, fate, rng)
    elif kind == "step":
        _drop(broken, probe, fate, rng)
    else:
        low, high, habit = _OTHERS[kind]
        broken.add(probe.name, kind, fate.onset, size=float(rng.uniform(low, high)))
        broken.change(probe.name, **habit)


# Least and greatest size, and the habit of checking without which nobody could see it.
_OTHERS: dict[str, tuple[float, float, dict[str, object]]] = {
    "shield": (1.0, 6.0, {"side_every_days": 91.0}),
    "double_pulsing": (0.03, 0.08, {}),
    "pulser": (0.85, 0.97, {"repeats": 10, "reseated_repeats": False}),
    "mains": (40.0, 60.0, {}),
    "temperature": (-0.015, -0.006, {"logs_temperature": True}),
    "battery": (-0.35, -0.15, {"logs_battery": True}),
    "polarisation": (-0.20, -0.06, {"logs_on_minutes": True}),
}


def _drift(broken: Breakdowns, probe: Probe, kind: str, fate: _Fate, rng: Generator) -> None:
    if kind == "gain_drift":
        slope = float(rng.choice([-1, 1]) * rng.uniform(0.02, 0.08))
        number = broken.add(probe.name, kind, fate.onset, per_year=slope, wander=_wander(fate, 0.002, rng))
        if fate.repair_day is not None:
            broken.mend(number, fate.repair_day, "recentred", held=fate.holds, note="window set anew")
        return
    slope = math.log1p(-float(rng.uniform(0.02, 0.15)))
    widening = float(rng.uniform(1.0, 3.0)) if rng.random() < 0.5 else 0.0
    number = broken.add(
        probe.name, kind, fate.onset, per_year=slope, widening=widening, wander=_wander(fate, 0.005, rng)
    )
    if fate.repair_day is not None:
        back = float(rng.uniform(0.5, 1.0))
        how = {"held": fate.holds, "level": fate.new_level, "restored": back}
        broken.mend(number, fate.repair_day, "repair", note="sent in", **how)  # type: ignore[arg-type]


def _drop(broken: Breakdowns, probe: Probe, fate: _Fate, rng: Generator) -> None:
    number = broken.add(probe.name, "step", fate.onset, size=math.log1p(-float(rng.uniform(0.02, 0.20))))
    if rng.random() < 0.6:
        broken.services.append(Service(probe.name, fate.onset - 0.05, "dropped", note="fell from the trolley"))
    if fate.repair_day is not None:
        broken.mend(number, fate.repair_day, "repair", held=True, level=fate.new_level, note="sent in")


def _cable(broken: Breakdowns, probe: Probe, kind: str, fate: _Fate, rng: Generator) -> None:
    onset = fate.onset
    if kind == "intermittent":  # it takes some checks to lose contact in
        onset = min(onset, fate.days - 8.0 * probe.cadence_days)
    number = broken.add(probe.name, kind, onset, size=float(rng.uniform(0.15, 0.40)))
    day = fate.repair_day
    if kind == "dead_cable":  # nobody waits long with that one
        day = fate.onset + 3.5 * probe.cadence_days + float(rng.uniform(0.0, 20.0))
    if day is not None and day < fate.days - 30.0:
        broken.mend(number, day, "cable_replaced", held=True)


def _splash(broken: Breakdowns, probe: Probe, kind: str, fate: _Fate, rng: Generator) -> None:
    """Activity on the probe some hours before a check, or something long-lived that stays until it is cleaned."""
    broken.change(probe.name, background_every=1)
    size_cps = float(np.exp(rng.uniform(math.log(8.0), math.log(80.0))))
    if kind == "contamination":
        number = broken.add(probe.name, kind, fate.onset, size=size_cps)
        stays_days = max(2.5 * probe.cadence_days, float(rng.uniform(20.0, 120.0)))
        broken.mend(number, fate.onset + stays_days, "cleaned", held=True)
    else:
        broken.add(probe.name, kind, fate.onset, size=size_cps, hours_before_check=float(rng.uniform(0.3, 4.0)))


def _wander(fate: _Fate, sd_per_root_year: float, rng: Generator) -> Floats | None:
    """For a third of the drifts a random path beside the straight line, one value a day until well past the end."""
    if rng.random() >= 0.33:
        return None
    steps = rng.normal(0.0, sd_per_root_year / math.sqrt(YEAR_DAYS), int(fate.days - fate.onset + 6 * 365))
    return np.asarray(np.concatenate([[0.0], np.cumsum(steps)]), dtype=np.float64)
