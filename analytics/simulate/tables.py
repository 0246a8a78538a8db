"""The tables as a site would keep them, in the columns that loading takes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from analytics.simulate.blunders import write_down_wrong
from analytics.simulate.checks import Checks
from analytics.simulate.countings import all_windows
from analytics.simulate.design import Design
from analytics.simulate.physics import Floats

EMPTY = {
    "events": ["probe", "happened_at", "kind", "new_reference", "site", "by", "cost", "note"],
    "inspections": ["probe", "source", "done_at", "kind", "result", "value", "unit", "nuclide", "person", "note"],
    "uses": ["probe", "used_at", "case_reference"],
    "outcomes": ["probe", "found_at", "found", "note"],
}


def at(design: Design, day: float) -> datetime:
    """The moment ``day`` days after the fleet's start, to the second."""
    return pd.Timestamp(design.starts_at).as_unit("us").__add__(pd.Timedelta(round(day * 86_400), "s")).to_pydatetime()


def moments(design: Design, days: Floats | Sequence[float]) -> NDArray[np.datetime64]:
    """Times of many days at once, to the second; a day that is not finite is no time."""
    days = np.asarray(days, dtype=np.float64)
    known = np.isfinite(days)
    seconds = np.round(np.where(known, days, 0.0) * 86_400).astype(np.int64).astype("timedelta64[s]")
    times = np.datetime64(design.starts_at, "us") + seconds
    return np.asarray(np.where(known, times, np.datetime64("NaT", "us")), dtype="datetime64[us]")


def readings(design: Design, checks: Checks, rows: pd.DataFrame, rng: Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The readings in order of time, and the table of blunders in them (``row`` counts from 1)."""
    rows = rows.sort_values(["day", "probe", "slot"], kind="stable", ignore_index=True)
    check, probe = rows["check"].to_numpy(), rows["probe"].to_numpy()
    probes, background = design.probes, (rows["measurement"] == "background").to_numpy()

    def pick(values: Sequence[object], number: NDArray[np.intp]) -> NDArray[np.object_]:
        return np.array([*values, None], dtype=object)[number]

    operators = {site.name: site.operators for site in design.sites}
    crew = np.array([len(operators[one.site]) for one in probes])[probe]
    names = np.array([(*operators[one.site], *[None] * 12)[:12] for one in probes], dtype=object)
    table = pd.DataFrame(
        {
            "probe": pick([one.name for one in probes], probe),
            "taken_at": moments(design, rows["day"].to_numpy()),
            "window": rows["window"].to_numpy(),
            "measurement": rows["measurement"].to_numpy(),
            "counts": rows["counts"].to_numpy(),
            "count_time_s": rows["count_time_s"].to_numpy(),
            "source": pick([one.name for one in design.sources], np.where(background, -1, checks.source[check])),
            "repeat": rows["repeat"].to_numpy(),
            "reseated": rows["reseated"].to_numpy(),
            "jig": pick([one.name for one in design.jigs], checks.jig[check]),
            "readout": pick([one.readout or None for one in probes], probe),
            "operator": names[probe, checks.operator[check] % crew],
        }
    )
    for column, logged in (
        ("temperature_c", "logs_temperature"),
        ("battery_pct", "logs_battery"),
        ("on_minutes", "logs_on_minutes"),
    ):
        keeps = np.array([getattr(one, logged) for one in probes], dtype=bool)
        table[column] = np.where(keeps[probe], getattr(checks, column)[check], np.nan)
    return write_down_wrong(table, rows["kind"].to_numpy(), check, _allowed_times(design, checks, check), rng)


def _allowed_times(
    design: Design, checks: Checks, check: NDArray[np.intp]
) -> tuple[pd.Series[pd.Timestamp], pd.Series[pd.Timestamp]]:
    """For each row the span in which its source was in use: a wrong date outside it would not be taken in."""
    first = moments(design, [max(one.used_from, 0.0) for one in design.sources])[checks.source[check]]
    last = moments(design, [min(one.used_to, design.days) for one in design.sources])[checks.source[check]]
    return pd.Series(first), pd.Series(last)


def everything(design: Design, counted: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """All tables of the fleet; those that the design does not bring are there with their columns and no rows."""
    found = {"readings": counted, "probes": _probes(design), "sources": _sources(design), "windows": _windows(design)}
    for name, columns in EMPTY.items():
        given = design.tables.get(name)
        found[name] = given if isinstance(given, pd.DataFrame) else pd.DataFrame({column: [] for column in columns})
    if design.services:
        found["events"] = _events(design)
    return found


def _probes(design: Design) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "probe": one.name,
                "site": one.site,
                "model_type": one.model_type or None,
                "detector": one.detector,
                "connection": one.connection,
                "diameter_mm": one.diameter_mm,
                "in_service_on": np.datetime64(at(design, one.in_service_day), "D").astype("datetime64[us]"),
                "dead_time_us": one.dead_time_us,
                "dead_time_model": "paralysable" if one.paralysable else "non_paralysable",
                "replacement_cost": one.replacement_cost,
                "note": one.note,
            }
            for one in design.probes
        ]
    )


def _sources(design: Design) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "source": [one.name for one in design.sources],
            "nuclide": [one.nuclide for one in design.sources],
            "reference_at": moments(design, [one.reference_day for one in design.sources]),
            "activity_kbq": [one.activity_kbq for one in design.sources],
            "activity_uncertainty_pct": [one.uncertainty_pct for one in design.sources],
            "site": [one.site for one in design.sources],
            "withdrawn_on": moments(
                design, [one.used_to if one.used_to < design.days else np.nan for one in design.sources]
            ),
        }
    )


def _windows(design: Design) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "window": one.name,
                "nuclide": one.nuclide,
                "centre_kev": one.centre_kev,
                "width_pct": one.width_pct,
                "offset_pct": one.offset_pct,
            }
            for one in all_windows(design)
        ]
    )


def _events(design: Design) -> pd.DataFrame:
    services = sorted(design.services, key=lambda one: (one.day, one.probe))
    return pd.DataFrame(
        {
            "probe": [one.probe for one in services],
            "happened_at": moments(design, [one.day for one in services]),
            "kind": [one.kind for one in services],
            "new_reference": [one.makes_reference for one in services],
            "site": pd.array([one.site for one in services], dtype="str"),
            "by": pd.array([one.by for one in services], dtype="str"),
            "cost": [np.nan if one.cost is None else one.cost for one in services],
            "note": pd.array([one.note for one in services], dtype="str"),
        }
    )
