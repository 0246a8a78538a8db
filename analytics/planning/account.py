"""What a plan comes to: its cost, and the days at risk that it leaves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date

import numpy as np
import numpy.typing as npt

from analytics.advice.plan_result import Visit
from analytics.advice.planned_tasks import first_crossing
from analytics.planning.cover import Away
from analytics.planning.risk import risk_until
from analytics.planning.slots import Slots
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment, SeriesResult
from analytics.settings import Settings


def aways(visits: Iterable[Visit]) -> list[Away]:
    """The services and replacements of a plan."""
    return [
        (task.probe, task.kind, visit.on)
        for visit in visits
        for task in visit.probes
        if task.kind in ("service", "replace")
    ]


def risk_by_probe(assessment: FleetAssessment, slots: Slots) -> dict[str, npt.NDArray[np.float64]] | None:
    """Expected days in use beyond tolerance before day 0, 1, … of the plan, [days + 1], for each judged probe in use.

    None where no probe is judged. A probe that is not allowed for patients is not used, so nothing is risked with it.
    """
    series: dict[str, list[SeriesResult]] = {}
    for one in assessment.series:
        series.setdefault(one.probe, []).append(one)
    judged = [one for one in assessment.probes if one.advice != "undetermined"]
    if not judged:
        return None
    today = assessment.as_of.date()
    out = {}
    for probe in judged:
        crossing = first_crossing(tuple(series.get(probe.probe, ())))
        if crossing is not None and probe.patient_use == "allowed":
            out[probe.probe] = risk_until(crossing, today, slots.from_on, slots.days)
    return out


def risk_days(
    risk: Mapping[str, npt.NDArray[np.float64]] | None, visits: Iterable[Visit], slots: Slots
) -> float | None:
    """The days at risk until each probe's first service or replacement, else until the end, summed over probes, d."""
    return None if risk is None else round(sum(days for _, days in risk_parts(risk, visits, slots)), 3)


def risk_parts(
    risk: Mapping[str, npt.NDArray[np.float64]] | None, visits: Iterable[Visit], slots: Slots
) -> tuple[tuple[str, float], ...]:
    """The same for each probe with a forecast, d."""
    served: dict[str, date] = {}
    for probe, _, on in aways(visits):
        served[probe] = min(served.get(probe, on), on)
    return tuple(
        (name, float(one[slots.day(served[name]) if name in served else slots.days]))
        for name, one in sorted((risk or {}).items())
    )


def cost(records: Records, settings: Settings, visits: Iterable[Visit]) -> tuple[float | None, tuple[str, ...]]:
    """What the visits, services and new probes cost; None as soon as a price is missing, with the names of these."""
    own = records.probes.set_index("probe")["replacement_cost"].dropna().to_dict()
    total, missing = 0.0, set()
    for visit in visits:
        parts: list[tuple[str, float | None]] = [("costs.visit", settings.costs.visit)]
        for task in visit.probes:
            if task.kind == "service":
                parts.append(("costs.service", settings.costs.service))
            elif task.kind == "replace":
                parts.append(("costs.replacement", own.get(task.probe, settings.costs.replacement)))
        missing |= {name for name, price in parts if price is None}
        total += sum(price for _, price in parts if price is not None)
    return (None if missing else total), tuple(sorted(missing))
