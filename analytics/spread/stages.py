"""What is done to a part of the fleet, in four steps between which the parts are heard together.

Every step is a pure function of a part and of small tables, so that a step lost with its worker is simply done again.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analytics.advice.probe_history import first_checks
from analytics.baseline.forward import Corrected
from analytics.baseline.noise import FleetPlacing
from analytics.baseline.rows import Floats, Ints, Rows, build_rows
from analytics.charts.response import ResponseCharts, chart_rows, corrected_rows
from analytics.counting import count_records
from analytics.counting.tables import Counted
from analytics.cut import cut
from analytics.drift.slopes import slope_votes
from analytics.drift.state import Fitted, detectors_of, fitted
from analytics.fleet import FleetConstants, activity_variance, answer
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment
from analytics.settings import Settings
from analytics.spread.partition import Part


@dataclass(frozen=True)
class Prepared:
    """A part, counted."""

    part: Part
    known: Records
    counted: Counted
    rows: Rows
    activity_variance: Floats


@dataclass(frozen=True)
class Span:
    """First and last day of a part's response, None where it has none; and the first check of each of its probes."""

    days: tuple[float, float] | None
    first_checks: dict[str, float]


@dataclass(frozen=True)
class SlopeVotes:
    """[units] what a part says of slopes: probe code, kind of detector, P and mean ln|slope|."""

    probe: Ints
    detector: list[str | None]
    probability: Floats
    log_size: Floats


@dataclass(frozen=True)
class PartAnswer:
    """The answer for a part, and what its checks are called there."""

    assessment: FleetAssessment
    devices: dict[str, frozenset[str]]
    probe_of_check: Ints  # [checks] probe code of every check id of this part
    source_checks: int  # ids below it are checks on a source, those from it on are backgrounds


PlacingVotes = list[tuple[Floats, Floats]]
Walked = tuple[Prepared, Corrected, PlacingVotes]
Charted = tuple[Prepared, ResponseCharts]


def prepare(part: Part, settings: Settings, as_of: datetime) -> Prepared:
    """Count a part."""
    known = cut(part.records, as_of)
    counted = count_records(known, settings)
    rows = build_rows(counted.response_states, known.events, counted.names)
    return Prepared(part, known, counted, rows, activity_variance(known, counted, settings))


def span(prepared: Prepared) -> Span:
    """What the months of the pass and the history of the fleet are made of."""
    at = prepared.rows.at_days
    return Span((float(at.min()), float(at.max())) if len(at) else None, first_checks(prepared.counted))


def walked(prepared: Prepared, settings: Settings, placing: FleetPlacing) -> Walked:
    """The pass over a part, given the fleet's placing."""
    votes: PlacingVotes = []
    corrected = corrected_rows(
        prepared.rows, prepared.counted.response_states, prepared.activity_variance, settings, placing, votes
    )
    return prepared, corrected, votes


def placing_votes(made: Walked) -> PlacingVotes:
    """What a part says of the fleet's placing at each month start but the first, and at the end."""
    return made[2]


def charted(made: Walked, settings: Settings) -> Charted:
    """The charts of a part's response."""
    prepared, corrected, _ = made
    counted = prepared.counted
    return prepared, chart_rows(
        prepared.rows, corrected, counted.response_states, counted.names, prepared.known.events, settings
    )


def slopes(made: Charted, fits: Fitted | None = None) -> SlopeVotes:
    """What a part says of slopes. fits: where they are made already."""
    prepared, charts = made
    unit_probe = charts.rows.unit_probe
    fits = fits if fits is not None else fitted(charts)
    probability, log_size = slope_votes(fits.trends)
    detector = detectors_of(unit_probe, prepared.counted.names, prepared.known)
    return SlopeVotes(unit_probe, detector, probability, log_size)


def finish(made: Charted, settings: Settings, as_of: datetime, fleet: FleetConstants) -> PartAnswer:
    """The answer for a part."""
    prepared, charts = made
    readings = prepared.known.readings
    owner, source_checks = owners(readings, readings["probe"].cat.codes.to_numpy(), prepared.counted)
    return PartAnswer(
        answer(prepared.known, prepared.counted, charts, settings, as_of, fleet), prepared.part.devices, owner, source_checks
    )


def owners(readings: pd.DataFrame, probe: npt.NDArray[np.integer[Any]], counted: Counted) -> tuple[Ints, int]:
    """Probe code of every check, and the number of checks on a source: backgrounds come after them.

    probe: code of every reading.
    """
    members = counted.members
    checks = int(members["check"].max()) + 1 if len(members) else 0
    backgrounds = counted.background.check
    owner = np.full(checks, -1, np.int64)
    order = np.argsort(readings["reading_id"].to_numpy())
    place = order[np.searchsorted(readings["reading_id"].to_numpy(), members["reading_id"].to_numpy(), sorter=order)]
    owner[members["check"].to_numpy()] = probe[place]
    return owner, int(backgrounds.min()) if len(backgrounds) else checks
