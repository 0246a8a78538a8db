"""The true state of probes over time: what faults and services make of response, gain, width and background."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.simulate.design import Fault, Probe, Service, Window
from analytics.simulate.physics import HALF_LIFE_DAYS, YEAR_DAYS, Floats, remaining, window_share


@dataclass
class State:
    """One value an instant; filled by ``apply_fault`` and ``apply_service``."""

    ln_efficiency: Floats
    gain: Floats  # relative to how the probe was set up
    fwhm_factor: Floats
    background_added: Floats  # cps
    steady_added: Floats  # cps, clocked pulses without spread (mains)
    side_leak_added: Floats  # per cent of the front rate
    dropout: Floats  # probability that a counting loses contact
    doubled: Floats  # mean share of pulses counted twice
    regular: Floats  # share of the pulses that come clocked, hence without spread
    per_degree: Floats  # ln(response) per °C of room
    per_empty_battery: Floats
    warm_up: Floats  # ln(response) long after switch-on
    dead: NDArray[np.bool_]

    @classmethod
    def sound(cls, size: int) -> State:
        """The state of ``size`` instants at which nothing is wrong."""

        def nothing() -> Floats:
            return np.zeros(size, dtype=np.float64)

        return cls(
            ln_efficiency=nothing(),
            gain=nothing() + 1.0,
            fwhm_factor=nothing() + 1.0,
            background_added=nothing(),
            steady_added=nothing(),
            side_leak_added=nothing(),
            dropout=nothing(),
            doubled=nothing(),
            regular=nothing(),
            per_degree=nothing(),
            per_empty_battery=nothing(),
            warm_up=nothing(),
            dead=np.zeros(size, dtype=bool),
        )


# Faults that simply add their size to one quantity while they last.
_ADDS_ITS_SIZE = {
    "step": "ln_efficiency",
    "shield": "side_leak_added",
    "intermittent": "dropout",
    "double_pulsing": "doubled",
    "pulser": "regular",
    "mains": "steady_added",
    "temperature": "per_degree",
    "battery": "per_empty_battery",
    "polarisation": "warm_up",
}
_STICKS_WITH = {"contamination_splash": "Tc-99m", "contamination": "Co-57"}


def apply_fault(state: State, where: slice, day: Floats, fault: Fault) -> NDArray[np.bool_]:
    """Add one fault to the instants ``where`` (at ``day``) and return which of them it holds."""
    on = np.asarray((day >= fault.onset) & (day < fault.until), dtype=np.bool_)
    age_days = np.where(on, day - fault.onset, 0.0)
    if fault.kind in _ADDS_ITS_SIZE:
        getattr(state, _ADDS_ITS_SIZE[fault.kind])[where] += on * fault.size
    elif fault.kind in _STICKS_WITH:
        left = remaining(age_days, HALF_LIFE_DAYS[_STICKS_WITH[fault.kind]])
        state.background_added[where] += on * fault.size * left
    elif fault.kind == "dead_cable":
        state.dead[where] |= on
    elif fault.gradual:
        change = fault.per_year * age_days / YEAR_DAYS
        if fault.wander is not None:
            change = change + np.where(on, np.interp(age_days, np.arange(len(fault.wander)), fault.wander), 0.0)
        if fault.kind == "gain_drift":
            state.gain[where] *= 1.0 + change
        else:
            state.ln_efficiency[where] += change
            state.fwhm_factor[where] *= 1.0 + fault.widening * np.maximum(-change, 0.0)
    else:
        raise ValueError(f"no such kind of fault: {fault.kind}")
    return on


def apply_service(state: State, where: slice, day: Floats, service: Service) -> None:
    """Add the lasting step of a service (a new detector counts a little more or less than the old one)."""
    state.ln_efficiency[where] += np.where(day >= service.day, service.level, 0.0)


def response_factor(probe: Probe, window: Window, state: State, where: slice | NDArray[np.intp]) -> Floats:
    """Rate per activity in a window against the probe as set up; 0 where it is dead. Passing upsets are left out."""
    low, high = window_edges(window, 0.0)
    start_gain = 1.0 + probe.gain_offset_pct / 100.0
    scatter = np.asarray(probe.scatter_per_kev)
    fwhm = probe.fwhm_pct * state.fwhm_factor[where]
    share = window_share(low, high, start_gain * state.gain[where], fwhm, scatter)
    first = window_share(low, high, np.asarray(start_gain), np.asarray(probe.fwhm_pct), scatter)
    factor = np.exp(state.ln_efficiency[where]) * (1.0 + state.doubled[where]) * share / first
    return np.asarray(np.where(state.dead[where], 0.0, factor), dtype=np.float64)


def window_edges(window: Window, offset_pct: float) -> tuple[Floats, Floats]:
    """Lower and upper edge in keV of a window set off by ``offset_pct`` of its centre."""
    centre = window.centre_kev * (1.0 + offset_pct / 100.0)
    half = window.centre_kev * window.width_pct / 200.0
    return np.asarray(centre - half), np.asarray(centre + half)


def daily_response(
    probe: Probe, faults: Sequence[Fault], services: Sequence[Service], days: Floats, window: Window
) -> Floats:
    """True response of one probe on the given days, under the given faults and services."""
    state = State.sound(len(days))
    everything = slice(0, len(days))
    for service in services:
        apply_service(state, everything, days, service)
    for fault in faults:
        apply_fault(state, everything, days, fault)
    return response_factor(probe, window, state, everything)
