"""What the demo's people wrote down beside the countings: inspections, uses in theatre, findings of the workshop."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.random import Generator

from analytics.simulate.checks import Checks
from analytics.simulate.demo_stories import Stories
from analytics.simulate.design import Design, Probe
from analytics.simulate.physics import Floats
from analytics.simulate.state import daily_response
from analytics.simulate.tables import moments

# Uses in theatre a week, by kind of head (invented).
USES_A_WEEK = {"straight": 2.0, "angled": 1.6, "wireless": 1.4, "slim": 0.7, "long-shaft": 0.5, "wide": 0.4}


def uses(design: Design, rng: Generator) -> pd.DataFrame:
    """Uses on working days while the probe is in use; the reference is a number of no meaning, no patient's."""
    probe, day = [], []
    for one in design.probes:
        withdrawn = any(event.probe == one.name and event.kind == "withdrawn" for event in design.services)
        first, last = max(0.0, one.checked_from), min(design.days, one.checked_to) if withdrawn else design.days
        drawn = np.sort(rng.uniform(first, last, rng.poisson((last - first) / 7.0 * USES_A_WEEK[one.model_type])))
        weekday = (design.starts_at.weekday() + np.floor(drawn)) % 7
        kept = np.floor(drawn[weekday < 5]) + np.round(rng.uniform(8.0, 15.5, int((weekday < 5).sum())) * 12) / 288
        probe += [one.name] * len(kept)
        day += kept.tolist()
    table = pd.DataFrame({"probe": probe, "used_at": moments(design, day)})
    table = table.sort_values(["used_at", "probe"], kind="stable", ignore_index=True)
    return table.assign(case_reference=[f"C{number:05d}" for number in range(1, len(table) + 1)])


def inspections(design: Design, checks: Checks, rng: Generator) -> pd.DataFrame:
    """Visual and power checks each month, yearly sensitivity with Tc-99m, leak test and inventory of sources."""
    rows: list[dict[str, object]] = []
    for number, probe in enumerate(design.probes):
        days = checks.day[checks.span[number]]
        if len(days):
            rows += _monthly(design, probe, days, rng) + _yearly(design, probe, days, rng)
    for source in design.sources:
        first, last = max(source.used_from, 0.0), min(source.used_to, design.days)
        for day in np.arange(first + 12.0, last, 182.0):
            usual = {"source": source.name, "result": "pass", "person": "physicist"}
            rows.append(
                usual
                | {
                    "day": math.floor(day) + 0.45,
                    "kind": "leak_test",
                    "value": round(float(rng.uniform(0.5, 9.0)), 1),
                    "unit": "Bq",
                }
            )
            rows.append(usual | {"day": math.floor(day) + 0.47, "kind": "inventory"})
    table = pd.DataFrame(rows).sort_values(["day", "probe", "source", "kind"], kind="stable", ignore_index=True)
    table.insert(2, "done_at", moments(design, table.pop("day").to_numpy(dtype=np.float64)))
    return table[["probe", "source", "done_at", "kind", "result", "value", "unit", "nuclide", "person", "note"]]


def _monthly(design: Design, probe: Probe, days: Floats, rng: Generator) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    crew = next(site.operators for site in design.sites if site.name == probe.site)
    step = 1 if probe.cadence_days > 10 else 4
    for day in list(days)[::step]:
        person = str(rng.choice(crew))
        wrong = {one.kind for one in design.faults_of.get(probe.name, []) if one.onset < day < one.until}
        seen = "intermittent" in wrong and rng.random() < 0.2
        usual: dict[str, object] = {"probe": probe.name, "person": person}
        visual = {
            "kind": "visual",
            "result": "fail" if seen else "pass",
            "note": "cable sheath cracked at the connector" if seen else None,
        }
        rows.append(usual | visual | {"day": day + 0.010})
        rows.append(
            usual | {"kind": "power", "result": "fail" if "dead_cable" in wrong else "pass", "day": day + 0.012}
        )
    return rows


def _yearly(design: Design, probe: Probe, days: Floats, rng: Generator) -> list[dict[str, object]]:
    """Sensitivity with Tc-99m at the tip once a year and after a repair, following what the probe truly does."""
    first, last = float(days[0]), float(days[-1])
    due = [*np.arange(first + float(rng.uniform(5, 300)), last, 365.0)]
    due += [
        one.day + 2.0
        for one in design.services
        if one.probe == probe.name and one.makes_reference and one.day + 2.0 < last
    ]
    if probe.in_service_day > 0:
        due.insert(0, probe.in_service_day + 1.0)
    rows: list[dict[str, object]] = []
    faults, services = design.faults_of.get(probe.name, []), design.services_of.get(probe.name, [])
    for day in due:
        response = float(daily_response(probe, faults, services, np.array([day]), probe.windows[0])[0])
        value = 1.35 * probe.sensitivity_cps_per_kbq * response * math.exp(float(rng.normal(0.0, 0.015)))
        rows.append(
            {
                "probe": probe.name,
                "day": math.floor(day) + 0.55,
                "kind": "acceptance" if day < probe.in_service_day + 2 else "sensitivity",
                "result": "pass",
                "value": round(value, 2),
                "unit": "cps/kBq",
                "nuclide": "Tc-99m",
                "person": "physicist",
            }
        )
    return rows


def outcomes(design: Design, stories: Stories) -> pd.DataFrame:
    """What the workshop or the physicist found."""
    found = sorted(stories.found, key=lambda one: (one[1], one[0]))
    return pd.DataFrame(
        {
            "probe": [one[0] for one in found],
            "found_at": moments(design, [one[1] for one in found]),
            "found": [one[2] for one in found],
            "note": [one[3] for one in found],
        }
    )
