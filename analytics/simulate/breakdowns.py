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
    "efficiency_loss": 0.16, "gain_drift": 0.07, "step": 0.08, "contamination_splash": 0.05, "contamination": 0.03, "intermittent": 0.05,
    "dead_cable": 0.02, "shield": 0.02, "double_pulsing": 0.02, "pulser": 0.01, "temperature": 0.015, "battery": 0.01, "polarisation": 0.01,
}


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

    def mend(self, number: int, day: float, kind: str, *, held: bool, level: float = 0.0, restored: float = 1.0, **how: object) -> None:
        """A service that ends the fault ``number``; where it does not hold, the fault goes on from there.

        level: step of ln(response) that the service leaves. restored: how much of what was lost comes back when it does not hold.
        """
        fault = self.faults[number]
        self.faults[number] = replace(fault, until=day)
        self.services.append(Service(fault.probe, day, kind, held=held, level=level, fault=number, **how))  # type: ignore[arg-type]
        if not held:
            lost = fault.per_year * (day - fault.onset) / YEAR_DAYS if fault.kind == "efficiency_loss" else 0.0
            self.services[-1] = replace(self.services[-1], level=level + (1.0 - restored) * lost)
            self.faults.append(replace(fault, onset=day, until=math.inf, goes_on_from=number))


def draw_breakdowns(probes: list[Probe], days: float, mix: Mapping[str, float], rng: Generator, *, repaired: float, held: float) -> Breakdowns:
    """Draw faults for a share of the probes by ``mix``, with services that hold or not."""
    broken = Breakdowns(list(probes))
    order = [probes[number] for number in rng.permutation(len(probes))]
    wanted = {kind: int(round(share * len(probes))) for kind, share in mix.items() if share > 0}
    for kind in sorted(wanted, key=lambda one: one not in ("polarisation", "battery")):
        fitting = [one for one in order if _fits(one, kind)]
        for probe in fitting[: max(wanted[kind], 1) if len(probes) >= 60 else wanted[kind]]:
            order.remove(probe)
            _break(broken, probe, kind, days, rng, repaired, held)
    return broken


def _fits(probe: Probe, kind: str) -> bool:
    """Whether a fault of this kind can happen to, and be seen on, this probe."""
    if kind == "polarisation":
        return probe.detector == "CdTe"
    if kind == "battery":
        return probe.connection == "wireless"
    return kind not in ("intermittent", "dead_cable") or probe.connection == "cabled"


def _break(broken: Breakdowns, probe: Probe, kind: str, days: float, rng: Generator, repaired: float, held: float) -> None:
    onset = float(rng.uniform(0.15, 0.85) * days)
    repair_day = onset + float(rng.uniform(150.0, 600.0))
    mended = bool(rng.random() < repaired) and repair_day < days - 100.0
    holds = bool(rng.random() < held)
    new_level = float(rng.normal(0.0, 0.02))
    if kind == "efficiency_loss":
        number = broken.add(
            probe.name, kind, onset, per_year=math.log1p(-float(rng.uniform(0.02, 0.15))),
            widening=float(rng.uniform(1.0, 3.0)) if rng.random() < 0.5 else 0.0, wander=_wander(days - onset, 0.005, rng))
        if mended:
            broken.mend(number, repair_day, "repair", held=holds, level=new_level, restored=float(rng.uniform(0.5, 1.0)), note="sent in")
    elif kind == "gain_drift":
        number = broken.add(
            probe.name, kind, onset, per_year=float(rng.choice([-1, 1]) * rng.uniform(0.02, 0.08)), wander=_wander(days - onset, 0.002, rng))
        if mended:
            broken.mend(number, repair_day, "recentred", held=holds, note="window set anew")
    elif kind == "step":
        number = broken.add(probe.name, kind, onset, size=math.log1p(-float(rng.uniform(0.02, 0.20))))
        if rng.random() < 0.6:
            broken.services.append(Service(probe.name, onset - 0.05, "dropped", note="fell from the trolley"))
        if mended:
            broken.mend(number, repair_day, "repair", held=True, level=new_level, note="sent in")
    elif kind in ("contamination_splash", "contamination"):
        _splash(broken, probe, kind, onset, rng)
    elif kind == "intermittent":
        number = broken.add(probe.name, kind, onset, size=float(rng.uniform(0.12, 0.35)))
        if mended:
            broken.mend(number, repair_day, "cable_replaced", held=True)
    elif kind == "dead_cable":
        number = broken.add(probe.name, kind, onset)
        back = onset + (3.5 * probe.cadence_days) + float(rng.uniform(0.0, 20.0))
        if back < days - 30:
            broken.mend(number, back, "cable_replaced", held=True)
    elif kind == "shield":
        broken.add(probe.name, kind, onset, size=float(rng.uniform(1.0, 6.0)))
        broken.change(probe.name, side_every_days=91.0)
    elif kind == "double_pulsing":
        broken.add(probe.name, kind, onset, size=float(rng.uniform(0.03, 0.08)))
    elif kind == "pulser":
        broken.add(probe.name, kind, onset, size=float(rng.uniform(0.85, 0.97)))
        broken.change(probe.name, repeats=10, reseated_repeats=False)
    else:
        size = {"temperature": rng.uniform(0.006, 0.015), "battery": rng.uniform(0.08, 0.25), "polarisation": rng.uniform(0.06, 0.2)}[kind]
        broken.add(probe.name, kind, onset, size=-float(size))
        broken.change(probe.name, **{{"temperature": "logs_temperature", "battery": "logs_battery", "polarisation": "logs_on_minutes"}[kind]: True})


def _splash(broken: Breakdowns, probe: Probe, kind: str, onset: float, rng: Generator) -> None:
    """Activity on the probe some hours before a check, or something long-lived that stays until it is cleaned."""
    broken.change(probe.name, background_every=1)
    size_cps = float(np.exp(rng.uniform(math.log(8.0), math.log(80.0))))
    if kind == "contamination":
        number = broken.add(probe.name, kind, onset, size=size_cps)
        broken.mend(number, onset + max(2.5 * probe.cadence_days, float(rng.uniform(20.0, 120.0))), "cleaned", held=True)
    else:
        broken.add(probe.name, kind, onset, size=size_cps, hours_before_check=float(rng.uniform(0.3, 4.0)))


def _wander(left_days: float, sd_per_root_year: float, rng: Generator) -> Floats | None:
    """For a third of the drifts a random path beside the straight line, one value a day until well past the end."""
    if rng.random() >= 0.33:
        return None
    steps = rng.normal(0.0, sd_per_root_year / math.sqrt(YEAR_DAYS), int(left_days + 6 * 365))
    return np.asarray(np.concatenate([[0.0], np.cumsum(steps)]), dtype=np.float64)
