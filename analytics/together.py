"""What all probes tell together that are read with one check source, jig or control unit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.advice.devices import device_results, source_results
from analytics.advice.source_inspections import failed_source_checks
from analytics.advice.told_apart import Levels, Untold, untold
from analytics.baseline.forward import Corrected
from analytics.baseline.rows import Bools, Floats, Ints, Rows, days
from analytics.baseline.shared import MOST_LOG, SharedMovement, against_source, shared_movement
from analytics.charts.response import ResponseCharts
from analytics.counting.columns import Names
from analytics.counting.tables import Counted, Responses
from analytics.records.snapshot import Records
from analytics.results import DeviceResult
from analytics.settings import Settings

HOME_DAYS = 60.0

UNSTATED_VARIANCE = 100.0  # e^±10: from counts a second to counts a second and kBq, whatever the source


@dataclass(frozen=True)
class Checks:
    """What of every check of the response speaks of devices; arrays [checks], sorted by series and time, codes as in ``Names``."""

    probe: Ints
    source: Ints
    jig: Ints
    readout: Ints
    at_days: Floats
    net_cps: Floats
    age_days: Floats
    decay_factor: Floats
    no_signal: Bools

    @classmethod
    def of(cls, table: Responses) -> Checks:
        """Those of the response."""
        probe, source, jig, readout = (
            one.astype(np.int64) for one in (table.keys.probe[table.series], table.source, table.jig, table.readout)
        )
        return cls(
            probe, source, jig, readout, days(table.check_at), table.net_cps, table.age_days, table.decay_factor, table.no_signal
        )


@dataclass(frozen=True)
class Together:
    """Rows and checks of probes of which none is read with a device that another one is read with, not among them."""

    names: Names
    rows: Rows
    corrected: Corrected
    pending: Bools  # [rows] far off and not confirmed when it came
    levels: Levels
    checks: Checks

    @classmethod
    def of(cls, counted: Counted, charts: ResponseCharts) -> Together:
        """All that was counted and charted."""
        return cls(
            counted.names, charts.rows, charts.corrected, charts.outliers.pending, Levels.of(charts), Checks.of(counted.response)
        )


@dataclass(frozen=True)
class Told:
    """What follows for devices, and for probes that cannot be told from theirs."""

    apart: Untold
    sources: tuple[DeviceResult, ...]
    jigs: tuple[DeviceResult, ...]
    readouts: tuple[DeviceResult, ...]
    shared: Callable[[], pd.DataFrame]  # makes ``results.SHARED_COLUMNS``


def told_of(one: Together, records: Records, settings: Settings, now: float, as_of: datetime, apart: Untold | None = None) -> Told:
    """All of it. records: sources and probes as registered. apart: where it is known already."""
    by_source, by_jig, by_readout = movements(one)
    sites = sites_of(one, records)
    return Told(
        apart if apart is not None else untold(one.levels, one.names.source, settings.shared.least_probes),
        source_results(records.sources, by_source, one.names, *source_facts(one, records, settings, now),
                       failed_source_checks(records.inspections), settings, as_of),
        device_results("jig", one.names.jig, by_jig, sites["jig"], now),
        device_results("readout", one.names.readout, by_readout, sites["readout"], now),
        lambda: shared_table(one.names, by_source, by_jig, by_readout),
    )


def certified_variance(records: Records, names: Names, settings: Settings) -> Floats:
    """Variance of the log activity by its certificate, in the order of the source codes; large where no activity is stated.

    A response is then in cps and not in cps/kBq, and only probes that were read on both sources tell the one from the other.
    """
    table = records.sources.set_index("source").reindex(list(names.source))
    stated = table["activity_uncertainty_pct"].to_numpy(float)
    share = np.where(np.isfinite(stated), stated, settings.shared.activity_uncertainty_pct) / 100.0
    return np.where(np.isfinite(table["activity_kbq"].to_numpy(float)), share**2, UNSTATED_VARIANCE)


def movements(one: Together) -> tuple[SharedMovement, SharedMovement, SharedMovement]:
    """Common movement of sources, of jigs and of control units, the latter two against the source where others are on it."""
    rows, c = one.rows, one.corrected
    # Against the first checks of each probe: what a source did while references formed is in all of them.
    residual, open_ = rows.y - c.anchor_then + (c.alpha_then - c.start_then), ~one.pending
    together = (rows.jig + 1) * (int(rows.readout.max(initial=-1)) + 2) + rows.readout + 1
    source = shared_movement(rows, c, rows.source, open_, residual, apart=together)
    jig, readout = (
        shared_movement(rows, c, device, open_, against_source(rows, source, device, open_, residual))
        for device in (rows.jig, rows.readout)
    )
    return source, jig, readout


def source_facts(
    one: Together, records: Records, settings: Settings, now: float,
) -> tuple[dict[str, float], dict[str, tuple[float, float]], dict[str, int], dict[str, float], dict[str, str]]:
    """By source: net rate now, first and last use (days), probes read on it, variance of its log activity, and home source."""
    table, sources = one.checks, one.names.source
    rates: dict[str, float] = {}
    used: dict[str, tuple[float, float]] = {}
    probes: dict[str, int] = {}
    at = table.at_days
    by_source = np.argsort(table.source, kind="stable")
    edges = np.searchsorted(table.source[by_source], np.arange(len(sources) + 1))
    for code, name in enumerate(sources):
        mine = by_source[edges[code] : edges[code + 1]]
        if len(mine) == 0:
            continue
        used[name] = float(at[mine].min()), float(at[mine].max())
        probes[name] = len(np.unique(table.probe[mine]))
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
    variance = dict(zip(sources, certified_variance(records, one.names, settings), strict=True))
    return rates, used, probes, variance, home_sources(one.rows, sources)


def home_sources(rows: Rows, names: tuple[str, ...]) -> dict[str, str]:
    """By source the one on which most of its first readers formed their references; itself: its offset is zero by that.

    Told by the units read on a source within sixty days of its first use, so that later units change nothing. Where no source
    is the home of more than half of them, there is none.
    """
    out = dict[str, str]()
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


def sites_of(one: Together, records: Records) -> dict[str, dict[str, str | None]]:
    """Site of each jig and control unit: that of the probe read with it most."""
    site = dict(zip(records.probes["probe"].astype(object), records.probes["site"].astype(object), strict=True))
    out: dict[str, dict[str, str | None]] = {"jig": {}, "readout": {}}
    for kind, names, codes in (
        ("jig", one.names.jig, one.checks.jig),
        ("readout", one.names.readout, one.checks.readout),
    ):
        for code, name in enumerate(names):
            mine = np.flatnonzero(codes == code)
            if len(mine):
                probes, n = np.unique(one.checks.probe[mine], return_counts=True)
                out[kind][name] = site.get(one.names.probe[probes[np.argmax(n)]])
    return out


def shared_table(device_names: Names, *movements: SharedMovement) -> pd.DataFrame:
    """``results.SHARED_COLUMNS`` of sources, jigs and control units."""
    parts = []
    for kind, names, one in zip(
        ("source", "jig", "readout"), (device_names.source, device_names.jig, device_names.readout), movements, strict=True
    ):
        parts.append(
            pd.DataFrame(
                {
                    "kind": kind,
                    "name": [names[code] for code in one.device],
                    "at": pd.to_datetime(np.round(one.at_days * 86_400e6).astype(np.int64), unit="us"),
                    "offset_pct": 100.0 * np.expm1(one.offset),
                    "offset_low_pct": 100.0 * np.expm1(one.offset - 1.645 * one.sd),
                    "offset_high_pct": 100.0 * np.expm1(np.minimum(one.offset + 1.645 * one.sd, MOST_LOG)),
                    "probes": one.probes.astype(np.int32),
                }
            )
        )
    table = pd.concat(parts, ignore_index=True)
    table["kind"], table["name"] = pd.Categorical(table["kind"]), pd.Categorical(table["name"])
    return table
