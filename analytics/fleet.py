"""The line, from the records to the answer, as one readable function.

    records ──► counting ──► baseline ──► charts ──► drift ──► advice

Pure: same records, same settings, same moment, same answer. No clock: ``as_of`` comes in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from analytics import __version__
from analytics.advice.companions import companions
from analytics.advice.overdue import due_checks
from analytics.advice.probe_history import FleetHistory, first_checks, fleet_history
from analytics.advice.probes import probe_results
from analytics.advice.record_errors import proposals
from analytics.baseline.noise import FleetPlacing
from analytics.baseline.rows import Floats, days
from analytics.charts.blundered_centre import settle_blundered
from analytics.charts.no_signal import no_signal_openings
from analytics.charts.quantities import quantity_charts
from analytics.charts.response import ResponseCharts, chart_responses
from analytics.counting import count_records
from analytics.counting.tables import Counted
from analytics.cut import cut
from analytics.drift.state import Fitted, fitted, forecast_state
from analytics.points import all_points
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment, LateTables
from analytics.series import all_results, located_openings, series_keys_of
from analytics.settings import Settings
from analytics.together import Together, Told, certified_variance, told_of


@dataclass(frozen=True)
class FleetConstants:
    """All that a part of a fleet has to know of the rest: what is estimated over every probe, and nothing else.

    A part holds whole sites with all that share a source, a jig or a control unit (``spread.partition``), so that movement in
    common, neighbours and findings on devices lie inside it.
    """

    placing: FleetPlacing
    slope_totals: Mapping[str | None, tuple[float, float]]  # by kind of detector: Σ P and Σ P ln|slope|
    history: FleetHistory


@dataclass(frozen=True)
class Worked:
    """An answer with what it was made from."""

    answer: FleetAssessment
    known: Records  # cut to the moment
    counted: Counted
    charts: ResponseCharts
    placing_votes: list[tuple[Floats, Floats]]  # what was said of the fleet's placing, one entry a month start but the first, and the end
    fits: Fitted


def assess(
    records: Records, settings: Settings, as_of: datetime, fleet: FleetConstants | None = None
) -> FleetAssessment:
    """The whole answer for one moment: every series, probe, source, jig and control unit.

    Only what is dated at or before ``as_of`` is used. Nothing recorded gives an empty answer, never an error.
    fleet: where the records are a part of a fleet; None: they are all of it.
    """
    return work_out(records, settings, as_of, fleet).answer


def work_out(records: Records, settings: Settings, as_of: datetime, fleet: FleetConstants | None = None) -> Worked:
    """As ``assess``, with what the answer was made from."""
    known = cut(records, as_of)
    counted = count_records(known, settings)
    votes: list[tuple[Floats, Floats]] = []
    charts = chart_responses(
        counted.response_states, counted.names, known.events, activity_variance(known, counted, settings), settings,
        fleet.placing if fleet is not None else None, votes,
    )
    fits = fitted(charts)
    return Worked(answer(known, counted, charts, settings, as_of, fleet, fits=fits), known, counted, charts, votes, fits)


def answer(
    known: Records, counted: Counted, charts: ResponseCharts, settings: Settings, as_of: datetime,
    fleet: FleetConstants | None = None, told: Told | None = None, fits: Fitted | None = None,
) -> FleetAssessment:
    """The line from the charts of the response to the end; known: the records cut to ``as_of``.

    told: what follows for devices, where these are not all probes that are read with them; None: they are. fits: where they are
    made already.
    """
    now = float(days(np.array([as_of], "datetime64[us]"))[0])
    quantities = settle_blundered(quantity_charts(counted, known.events, settings), charts)
    silent_openings, silent_now = no_signal_openings(counted.response_states)

    tolerance = settings.limits.tolerance_pct / 100.0
    state = forecast_state(
        charts, quantities, counted.names, counted.response.keys, known, tolerance, now,
        fleet.slope_totals if fleet is not None else None, fits,
    )

    slips = proposals(counted, charts, known.readings, as_of)

    keys = series_keys_of(counted, quantities)
    located = located_openings(keys, charts, counted.response_states.check_at, quantities, silent_openings, settings)
    series = all_results(
        keys, counted, charts, state, quantities, located, silent_now, slips, known.decisions, settings
    )

    if told is None:
        told = told_of(Together.of(counted, charts), known, settings, now, as_of)
    probes = probe_results(
        known,
        counted,
        charts,
        state,
        quantities,
        series,
        companions(charts, counted.response_states),
        due_checks(known.readings, settings, as_of),
        silent_now,
        slips,
        told.apart,
        settings,
        as_of,
        now,
        fleet.history if fleet is not None else fleet_history(known, first_checks(counted), as_of),
    )
    shared = told.shared

    def tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        return (
            all_points(keys, counted, charts, quantities, settings.reference.readings),
            counted.members,
            shared(),
        )

    return LateTables.of(
        tables,
        as_of=as_of,
        version=__version__,
        revision=known.revision,
        config=settings.fingerprint,
        series=series,
        probes=probes,
        sources=told.sources,
        jigs=told.jigs,
        readouts=told.readouts,
    )


def activity_variance(records: Records, counted: Counted, settings: Settings) -> Floats:
    """As ``together.certified_variance``, in the order of the codes of these checks."""
    return certified_variance(records, counted.names, settings)
