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
from analytics.advice.devices import device_results, source_results
from analytics.advice.overdue import due_checks
from analytics.advice.probe_history import FleetHistory, first_checks, fleet_history
from analytics.advice.probes import probe_results
from analytics.advice.record_errors import proposals
from analytics.baseline.noise import FleetPlacing
from analytics.baseline.rows import Floats, days
from analytics.baseline.shared import SharedMovement, against_source, shared_movement
from analytics.charts.blundered_centre import settle_blundered
from analytics.charts.no_signal import no_signal_openings
from analytics.charts.quantities import quantity_charts
from analytics.charts.response import ResponseCharts, chart_responses
from analytics.counting import count_records
from analytics.counting.tables import Counted
from analytics.cut import cut
from analytics.drift.state import forecast_state
from analytics.points import all_points
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment, LateTables
from analytics.series import all_results, located_openings, series_keys_of
from analytics.settings import Settings

HOME_DAYS = 60.0


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
    return Worked(answer(known, counted, charts, settings, as_of, fleet), known, counted, charts, votes)


def answer(
    known: Records, counted: Counted, charts: ResponseCharts, settings: Settings, as_of: datetime,
    fleet: FleetConstants | None = None,
) -> FleetAssessment:
    """The line from the charts of the response to the end; known: the records cut to ``as_of``."""
    now = float(days(np.array([as_of], "datetime64[us]"))[0])
    quantities = settle_blundered(quantity_charts(counted, known.events, settings), charts)
    silent_openings, silent_now = no_signal_openings(counted.response_states)

    tolerance = settings.limits.tolerance_pct / 100.0
    state = forecast_state(
        charts, quantities, counted.names, counted.response.keys, known, tolerance, now,
        fleet.slope_totals if fleet is not None else None,
    )

    slips = proposals(counted, charts, known.readings, as_of)

    keys = series_keys_of(counted, quantities)
    located = located_openings(keys, charts, counted.response_states.check_at, quantities, silent_openings, settings)
    series = all_results(
        keys, counted, charts, state, quantities, located, silent_now, slips, known.decisions, settings
    )

    by_source, by_jig, by_readout = movements(charts)
    sources = source_results(
        known.sources, by_source, counted.names, *source_facts(counted, charts, known, settings, now), settings, as_of
    )
    sites = sites_of(counted, known)
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
        settings,
        as_of,
        now,
        fleet.history if fleet is not None else fleet_history(known, first_checks(counted), as_of),
    )
    def tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        return (
            all_points(keys, counted, charts, quantities, settings.reference.readings),
            counted.members,
            shared_table(counted, by_source, by_jig, by_readout),
        )

    return LateTables.of(
        tables,
        as_of=as_of,
        version=__version__,
        revision=known.revision,
        config=settings.fingerprint,
        series=series,
        probes=probes,
        sources=sources,
        jigs=device_results("jig", counted.names.jig, by_jig, sites["jig"], now),
        readouts=device_results("readout", counted.names.readout, by_readout, sites["readout"], now),
    )


def activity_variance(records: Records, counted: Counted, settings: Settings) -> Floats:
    """Variance of the log activity by its certificate, in the order of the source codes; 1 where no activity is stated."""
    table = records.sources.set_index("source").reindex(list(counted.names.source))
    stated = table["activity_uncertainty_pct"].to_numpy(float)
    share = np.where(np.isfinite(stated), stated, settings.shared.activity_uncertainty_pct) / 100.0
    return np.where(np.isfinite(table["activity_kbq"].to_numpy(float)), share**2, 1.0)


def movements(charts: ResponseCharts) -> tuple[SharedMovement, SharedMovement, SharedMovement]:
    """Common movement of sources, of jigs and of control units, the latter two against the source where others are on it."""
    rows, c = charts.rows, charts.corrected
    # Against the first checks of each probe: what a source did while references formed is in all of them.
    residual, open_ = rows.y - c.anchor_then + (c.alpha_then - c.start_then), ~charts.outliers.pending
    together = (rows.jig + 1) * (int(rows.readout.max(initial=-1)) + 2) + rows.readout + 1
    source = shared_movement(rows, c, rows.source, open_, residual, apart=together)
    jig, readout = (
        shared_movement(rows, c, device, open_, against_source(rows, source, device, open_, residual))
        for device in (rows.jig, rows.readout)
    )
    return source, jig, readout


def source_facts(
    counted: Counted,
    charts: ResponseCharts,
    records: Records,
    settings: Settings, now: float,
) -> tuple[dict[str, float], dict[str, float], dict[str, int], dict[str, float], dict[str, str]]:
    """By source: net rate now, first use (days), probes read on it, variance of its log activity, and home source."""
    table, names = counted.response, counted.names
    rates: dict[str, float] = {}
    first: dict[str, float] = {}
    probes: dict[str, int] = {}
    at = days(table.check_at)
    by_source = np.argsort(table.source, kind="stable")
    edges = np.searchsorted(table.source[by_source], np.arange(len(names.source) + 1))
    for code, name in enumerate(names.source):
        mine = by_source[edges[code] : edges[code + 1]]
        if len(mine) == 0:
            continue
        first[name] = float(at[mine].min())
        probes[name] = len(np.unique(table.keys.probe[table.series[mine]]))
        late = mine[np.argsort(at[mine], kind="stable")][-50:]
        rate = table.net_cps[late]
        half_life = (
            np.log(0.5)
            * table.age_days[late]
            / np.log(np.where(table.decay_factor[late] > 0, table.decay_factor[late], np.nan))
        )
        decay = np.exp2(-(now - at[late]) / half_life)
        good = np.isfinite(rate * decay) & ~table.no_signal[late]
        if good.any():
            rates[name] = float(np.median((rate * decay)[good]))
    variance = dict(zip(names.source, activity_variance(records, counted, settings), strict=True))
    return rates, first, probes, variance, home_sources(charts, names.source)


def home_sources(charts: ResponseCharts, names: tuple[str, ...]) -> dict[str, str]:
    """By source the one on which most of its first readers formed their references; itself: its offset is zero by that.

    Told by the units read on a source within sixty days of its first use, so that later units change nothing. Where no source
    is the home of more than half of them, there is none.
    """
    rows, out = charts.rows, dict[str, str]()
    if rows.units == 0:
        return out
    home = rows.source[rows.unit_first[:-1]]
    for code in np.unique(rows.source):
        mine = rows.source == code
        early = home[np.unique(rows.unit[mine & (rows.at_days <= rows.at_days[mine].min() + HOME_DAYS)])]
        most = np.bincount(early)
        if 2 * most.max() > len(early):
            out[names[code]] = names[int(most.argmax())]
    return out


def sites_of(counted: Counted, records: Records) -> dict[str, dict[str, str | None]]:
    """Site of each jig and control unit: that of the probe read with it most."""
    site = dict(zip(records.probes["probe"].astype(object), records.probes["site"].astype(object), strict=True))
    out: dict[str, dict[str, str | None]] = {"jig": {}, "readout": {}}
    table = counted.response
    for kind, names, codes in (
        ("jig", counted.names.jig, table.jig),
        ("readout", counted.names.readout, table.readout),
    ):
        for code, name in enumerate(names):
            mine = np.flatnonzero(codes == code)
            if len(mine):
                probes, n = np.unique(table.keys.probe[table.series[mine]], return_counts=True)
                out[kind][name] = site.get(counted.names.probe[probes[np.argmax(n)]])
    return out


def shared_table(counted: Counted, *movements: SharedMovement) -> pd.DataFrame:
    """``results.SHARED_COLUMNS`` of sources, jigs and control units."""
    parts = []
    for kind, names, one in zip(
        ("source", "jig", "readout"),
        (counted.names.source, counted.names.jig, counted.names.readout),
        movements,
        strict=True,
    ):
        parts.append(
            pd.DataFrame(
                {
                    "kind": kind,
                    "name": [names[code] for code in one.device],
                    "at": pd.to_datetime(np.round(one.at_days * 86_400e6).astype(np.int64), unit="us"),
                    "offset_pct": 100.0 * np.expm1(one.offset),
                    "offset_low_pct": 100.0 * np.expm1(one.offset - 1.645 * one.sd),
                    "offset_high_pct": 100.0 * np.expm1(one.offset + 1.645 * one.sd),
                    "probes": one.probes.astype(np.int32),
                }
            )
        )
    table = pd.concat(parts, ignore_index=True)
    table["kind"], table["name"] = pd.Categorical(table["kind"]), pd.Categorical(table["name"])
    return table
