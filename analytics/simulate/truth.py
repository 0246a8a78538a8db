"""What is true of a simulated fleet, written down so that an analysis can be held against it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.simulate.blunders import KINDS, Blunders
from analytics.simulate.checks import Checks
from analytics.simulate.countings import all_windows
from analytics.simulate.design import CAUSE_OF, Design, Fault, Probe, Service, Window
from analytics.simulate.physics import Floats
from analytics.simulate.state import State, daily_response, response_factor
from analytics.simulate.tables import moments


@dataclass(frozen=True)
class Truth:
    """Tables of truth; the columns are listed in ``data_demo/README.md``."""

    probes: pd.DataFrame
    faults: pd.DataFrame
    checks: pd.DataFrame
    repairs: pd.DataFrame
    sources: pd.DataFrame
    jigs: pd.DataFrame
    blunders: pd.DataFrame
    sites: pd.DataFrame


def tell(
    design: Design,
    checks: Checks,
    state: State,
    held_by: list[tuple[int, NDArray[np.intp]]],
    blunders: Blunders,
    contact: Floats,
    mistakes: pd.DataFrame,
) -> Truth:
    """Write down the truth of a fleet that has been counted."""
    faults = _faults(design)
    return Truth(
        probes=_probes(design),
        faults=faults,
        checks=_checks(design, checks, state, held_by, _made(blunders, mistakes), contact),
        repairs=_repairs(design),
        sources=_sources(design),
        jigs=_jigs(design),
        blunders=mistakes.drop(columns="check"),
        sites=pd.DataFrame([{"site": one.name, "background_cps": one.background_cps} for one in design.sites]),
    )


def _made(blunders: Blunders, mistakes: pd.DataFrame) -> NDArray[np.object_]:
    """Kind of the blunder of each check, empty where none was made (a swapped date that is no date is none)."""
    made = np.zeros(len(blunders.kind), dtype=bool)
    made[mistakes["check"].to_numpy(dtype=np.intp)] = True
    return np.array(KINDS, dtype=object)[np.where(made, blunders.kind, 0)]


def reference_start(services: list[Service], day: float) -> float:
    """Day on which the reference in force at ``day`` starts: the last service that makes a new one, else 0."""
    return max((one.day for one in services if one.makes_reference and one.day <= day), default=0.0)


def crossing_days(design: Design, probe: Probe, index: int) -> tuple[float, float, float]:
    """Days on which a fault, were it never mended, takes the true response 5 and 10 % off, and the sign at the first.

    Counted from the level at the start of the reference in force at the onset; NaN where it does not get there
    within the horizon. Services after the onset are left out.
    """
    fault = design.faults[index]
    services = [one for one in design.services_of.get(probe.name, []) if one.day <= fault.onset]
    start = max(reference_start(services, fault.onset), probe.checked_from)
    others = [one for one in design.faults_of[probe.name] if one is not fault and one.onset <= fault.onset]
    mine = Fault(fault.probe, fault.kind, fault.onset, np.inf, fault.per_year, fault.size, fault.widening, fault.wander)
    days = fault.onset + np.arange(0.0, design.days + design.horizon_days - fault.onset)
    window = probe.windows[0]
    path = daily_response(probe, [*others, mine], services, days, window)
    base = daily_response(probe, [*others, mine], services, np.array([start]), window)[0]
    off = 100.0 * (path / base - 1.0)

    def first(limit: float) -> float:
        beyond = np.abs(off) >= limit
        return float(days[int(np.argmax(beyond))]) if beyond.any() else np.nan

    five, ten = first(5.0), first(10.0)
    reached = ten if np.isfinite(ten) else five
    sign = float(np.sign(off[int(np.searchsorted(days, reached))])) if np.isfinite(reached) else 0.0
    return five, ten, sign


def _faults(design: Design) -> pd.DataFrame:
    by_name = {probe.name: probe for probe in design.probes}
    counted = {"gain_drift", "efficiency_loss", "step", "dead_cable"}
    crossed = [
        crossing_days(design, by_name[one.probe], number) if one.kind in counted else (np.nan, np.nan, 0.0)
        for number, one in enumerate(design.faults)
    ]
    faults = design.faults
    return pd.DataFrame(
        {
            "fault": np.arange(1, len(faults) + 1),
            "probe": [one.probe for one in faults],
            "kind": [one.kind for one in faults],
            "cause": [CAUSE_OF[one.kind] for one in faults],
            "gradual": [one.gradual for one in faults],
            "onset_at": moments(design, [one.onset for one in faults]),
            "until": moments(design, [one.until if one.until < design.days else np.nan for one in faults]),
            "rate_pct_per_year": [
                100.0 * (np.expm1(one.per_year) if one.kind == "efficiency_loss" else one.per_year) for one in faults
            ],
            "size": [one.size for one in faults],
            "size_pct": [100.0 * np.expm1(one.size) if one.kind == "step" else np.nan for one in faults],
            "crosses_5_at": moments(design, [one[0] for one in crossed]),
            "crosses_10_at": moments(design, [one[1] for one in crossed]),
            "direction": [{-1.0: "low", 0.0: "", 1.0: "high"}[one[2]] for one in crossed],
            "goes_on_from": [0 if one.goes_on_from is None else one.goes_on_from + 1 for one in faults],
        }
    )


def _probes(design: Design) -> pd.DataFrame:
    bad_sites = {one.site for one in design.sources if one.bad}
    rows: list[dict[str, object]] = []
    for probe in design.probes:
        own = sorted(design.faults_of.get(probe.name, []), key=lambda one: one.onset)
        lasting = [one for one in own if one.until >= design.days and one.kind != "contamination_splash"]
        mended = [one for one in design.services_of.get(probe.name, []) if one.held is not None]
        rows.append(
            {
                "probe": probe.name,
                "site": probe.site,
                "fault": own[0].kind if own else "none",
                "cause": CAUSE_OF[lasting[0].kind] if lasting else "none",
                "onset_at": own[0].onset if own else np.nan,
                "bad_source": probe.site in bad_sites,
                "repairs": len(mended),
                "repaired_at": mended[0].day if mended else np.nan,
                "repair_held": mended[0].held if mended else None,
                "fwhm_pct": probe.fwhm_pct,
                "repositioning_pct": probe.repositioning_pct,
                "sensitivity_cps_per_kbq": probe.sensitivity_cps_per_kbq,
            }
        )
    table = pd.DataFrame(rows)
    for column in ("onset_at", "repaired_at"):
        table[column] = moments(design, table[column].to_numpy(dtype=np.float64))
    return table


def _checks(
    design: Design,
    checks: Checks,
    state: State,
    held_by: list[tuple[int, NDArray[np.intp]]],
    blunder: NDArray[np.object_],
    contact: Floats,
) -> pd.DataFrame:
    size, probes = len(checks.day), design.probes
    in_force = np.full(size, "", dtype=object)
    for index, where in held_by:
        in_force[where] = np.array([f"{old} {index + 1}".strip() for old in in_force[where]], dtype=object)
    windows, parts = all_windows(design), []
    shift = 100.0 * (state.gain - 1.0)
    names = np.array([one.name for one in probes], dtype=object)[checks.probe]
    for window in windows:
        keep = np.flatnonzero(np.array([window in one.windows for one in probes])[checks.probe])
        response, base = np.ones(size), np.ones(size)
        for number, probe in enumerate(probes):
            own = checks.span[number]
            if window in probe.windows and own.start < own.stop:
                response[own] = response_factor(probe, window, state, own)
                base[own] = _reference_level(design, probe, checks.day[own], window)
        parts.append(
            pd.DataFrame(
                {
                    "probe": names[keep],
                    "window": window.name,
                    "taken_at": moments(design, checks.day[keep]),
                    "source": np.array([one.name for one in design.sources], dtype=object)[checks.source[keep]],
                    "response_pct": 100.0 * response[keep],
                    "since_reference_pct": 100.0 * (response / base)[keep],
                    "shift_pct": shift[keep],
                    "faults": in_force[keep],
                    "blunder": blunder[keep],
                    "outlier": contact[keep] < 0.9,
                    "jig_factor": checks.jig_factor[keep],
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _reference_level(design: Design, probe: Probe, days: Floats, window: Window) -> Floats:
    """True response at the start of the reference in force on each day."""
    services, faults = design.services_of.get(probe.name, []), design.faults_of.get(probe.name, [])
    starts = sorted({0.0, *(one.day for one in services if one.makes_reference)})
    if not services and not any(one.onset <= 0 for one in faults):
        return np.ones(len(days))
    levels = daily_response(probe, faults, services, np.array(starts), window)
    return np.asarray(levels[np.searchsorted(starts, days, side="right") - 1], dtype=np.float64)


def _repairs(design: Design) -> pd.DataFrame:
    mended = [one for one in design.services if one.held is not None]
    return pd.DataFrame(
        {
            "probe": [one.probe for one in mended],
            "happened_at": moments(design, [one.day for one in mended]),
            "kind": [one.kind for one in mended],
            "held": [one.held for one in mended],
            "new_reference": [one.makes_reference for one in mended],
            "fault": [0 if one.fault is None else one.fault + 1 for one in mended],
        }
    )


def _sources(design: Design) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "source": one.name,
                "site": one.site,
                "bad": one.bad,
                "activity_factor": one.activity_factor,
                "excess_decay_pct_per_year": one.excess_decay_pct_per_year,
                "reference_error_days": one.reference_error_days,
                "used_from": moments(design, [max(one.used_from, 0.0)])[0],
                "used_to": moments(design, [min(one.used_to, design.days)])[0],
            }
            for one in design.sources
        ]
    )


def _jigs(design: Design) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "jig": [one.name for one in design.jigs],
            "site": [one.site for one in design.jigs],
            "knocked_at": moments(design, [one.knocked_day for one in design.jigs]),
            "mended_at": moments(design, [one.mended_day for one in design.jigs]),
            "moved_mm": [one.by_mm for one in design.jigs],
        }
    )
