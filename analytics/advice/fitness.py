"""What measurements other than countings say: sensitivity against the site's floor, and inspections that failed.

The floor is held against a *measured sensitivity with the clinical nuclide*, never against the reading on the check source:
a jig's geometry and a source's activity make that number, and it says nothing of cps/kBq at the patient.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from analytics.counting.nuclides import normalise

IN_CPS_PER_KBQ = {"cps/kbq": 1.0, "1/s/kbq": 1.0, "cps/mbq": 1e-3, "1/s/mbq": 1e-3, "cps/µci": 1 / 37.0, "cps/uci": 1 / 37.0}
PERFORMANCE = ("visual", "power", "acceptance", "sensitivity", "resolution", "shielding", "energy_resolution")


@dataclass(frozen=True)
class Fitness:
    """Sensitivity over the floor (None: not known), failed inspections, and what is to be said of both."""

    over_floor: float | None = None
    failed: tuple[str, ...] = ()  # kind and day
    sentences: tuple[str, ...] = ()


def fitness(inspections: Sequence[Any], floor: float | None, nuclide: str, last_service: pd.Timestamp | None) -> Fitness:
    """Fitness of one probe from its own inspections (rows of ``Records.inspections``), oldest first.

    floor: cps/kBq, None where the site set none. nuclide: the clinical one. A measurement from before the last service
    that changed the probe says nothing of it now; one in another unit or of another nuclide is not taken, and that is said.
    """
    failed, said = _failed(inspections, last_service)
    if floor is None:
        return Fitness(None, failed, tuple(said))
    newest = None
    for one in inspections:
        if one.kind != "sensitivity" or pd.isna(one.value):
            continue
        unit = str(one.unit).strip().lower().replace(" ", "").replace("\N{GREEK SMALL LETTER MU}", "\N{MICRO SIGN}") if pd.notna(one.unit) else ""
        if unit not in IN_CPS_PER_KBQ:
            said.append(
                f"The sensitivity of {one.done_at:%Y-%m-%d} has the unit {'none' if not unit else one.unit!r}; cps/kBq is needed for"
                f" the fitness floor."
            )
        elif pd.isna(one.nuclide) or normalise(str(one.nuclide)) != normalise(nuclide):
            what = "no nuclide" if pd.isna(one.nuclide) else str(one.nuclide)
            said.append(
                f"The sensitivity of {one.done_at:%Y-%m-%d} was measured with {what}, and the fitness floor is for {nuclide}."
            )
        else:
            newest = (one.done_at, float(one.value) * IN_CPS_PER_KBQ[unit])
    if newest is None:
        said.append(
            f"No sensitivity with {nuclide} is on record to hold against the fitness floor of {floor:g} cps/kBq;"
            f" the reading on the check source is no substitute."
        )
        return Fitness(None, failed, tuple(said))
    at, value = newest
    if last_service is not None and at < last_service:
        said.append(
            f"The sensitivity with {nuclide} ({value:.3g} cps/kBq on {at:%Y-%m-%d}) is from before the last service: measure it"
            f" again for the fitness floor of {floor:g} cps/kBq."
        )
        return Fitness(None, failed, tuple(said))
    place = "below" if value < floor else "not below"
    said.append(
        f"Its sensitivity with {nuclide} was {value:.3g} cps/kBq on {at:%Y-%m-%d}, {place} the fitness floor of {floor:g} cps/kBq."
    )
    return Fitness(value / floor, failed, tuple(said))


def _failed(inspections: Sequence[Any], last_service: pd.Timestamp | None) -> tuple[tuple[str, ...], list[str]]:
    """Kinds whose newest result is a fail, since the last service that changed the probe."""
    newest = {str(one.kind): one for one in inspections if one.kind in PERFORMANCE and pd.notna(one.result)}
    failed = [
        one
        for one in newest.values()
        if str(one.result) == "fail" and (last_service is None or one.done_at >= last_service)
    ]
    names = tuple(f"{str(one.kind).replace('_', ' ')} of {one.done_at:%Y-%m-%d}" for one in failed)
    return names, [f"The inspection ({name}) failed, and none of its kind has passed since." for name in names]
