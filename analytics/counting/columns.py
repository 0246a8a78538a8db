"""The readings as arrays: codes for every text column, one order, and what probe and source add to each counting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.counting.arrays import Bools, Codes, Floats, Ints, Kinds, Times, in_order
from analytics.counting.dead_time import MODEL_CODES, NON_PARALYSABLE
from analytics.counting.nuclides import half_life_days, half_life_sd_days, normalise
from analytics.records.snapshot import Records
from analytics.settings import Settings

MEASUREMENTS = ("background", "source", "window_below", "window_above", "side")
BACKGROUND, SOURCE, WINDOW_BELOW, WINDOW_ABOVE, SIDE = range(5)


@dataclass(frozen=True)
class Names:
    """What the codes mean: names in sorted order, the code is the place. Code −1 is "none"."""

    probe: tuple[str, ...]
    window: tuple[str, ...]
    jig: tuple[str, ...]
    collimator: tuple[str, ...]
    nuclide: tuple[str, ...]
    source: tuple[str, ...]
    readout: tuple[str, ...]
    operator: tuple[str, ...]


@dataclass(frozen=True)
class ProbeTable:
    """Per probe code: dead time (s, 0 where none is stated) and the code of its model."""

    dead_time_s: Floats
    dead_time_model: Kinds


@dataclass(frozen=True)
class SourceTable:
    """Per source code: nuclide code, reference date, stated activity (kBq, NaN: none), half-life and its sd (d)."""

    nuclide: Codes
    reference_at: Times
    activity_kbq: Floats
    half_life_days: Floats
    half_life_sd_days: Floats


@dataclass(frozen=True)
class Countings:
    """Countings that are not excluded, sorted by (probe, window, taken_at, repeat, measurement). One row is one counting."""

    names: Names
    probes: ProbeTable
    sources: SourceTable
    reading_id: Ints
    probe: Codes
    window: Codes
    taken_at: Times
    measurement: Kinds
    counts: Floats          # counts, or rate × time where only a displayed rate is known
    rounding_counts2: Floats  # variance from the rounding of the displayed rate, in counts²; 0 where counted
    derived: Bools
    count_time_s: Floats
    source: Codes
    reseated: Bools
    jig: Codes
    collimator: Codes
    readout: Codes
    operator: Codes
    temperature_c: Floats
    battery_pct: Floats
    on_minutes: Floats


def _codes(column: pd.Series, names: list[str]) -> Codes:
    """Codes of a categorical column into ``names``; −1 where missing."""
    table = pd.Index(names).get_indexer(pd.Index(column.cat.categories)).astype(np.int32)
    own = column.cat.codes.to_numpy()
    if len(table) == 0:
        return np.full(len(column), -1, np.int32)
    return np.where(own >= 0, table[own], np.int32(-1)).astype(np.int32)


def _all_names(column: pd.Series, registered: pd.Series | None = None) -> list[str]:
    found = {str(one) for one in column.cat.categories}
    if registered is not None:
        found |= {str(one) for one in registered.dropna()}
    return sorted(found)


def _probe_table(names: list[str], probes: pd.DataFrame) -> ProbeTable:
    rows = probes.drop_duplicates("probe", keep="last").set_index("probe").reindex(names)
    micro = rows["dead_time_us"].to_numpy(np.float64)
    model = np.array([MODEL_CODES.get(str(one), NON_PARALYSABLE) for one in rows["dead_time_model"]], np.int8)
    return ProbeTable(np.where(np.isnan(micro), 0.0, micro) * 1e-6, model)


def _source_table(names: list[str], sources: pd.DataFrame, settings: Settings) -> tuple[SourceTable, list[str]]:
    rows = sources.drop_duplicates("source", keep="last").set_index("source").reindex(names)
    written = [normalise(str(one)) if isinstance(one, str) else "" for one in rows["nuclide"]]
    nuclides = sorted(set(written) - {""})
    codes = np.array([nuclides.index(one) if one else -1 for one in written], dtype=np.int32)
    overrides = settings.nuclides.half_lives
    activity = rows["activity_kbq"].to_numpy(np.float64)
    with np.errstate(invalid="ignore"):
        activity = np.where(activity > 0, activity, np.nan)
    table = SourceTable(
        codes, rows["reference_at"].to_numpy("datetime64[us]"), activity,
        half_life_days(written, overrides), half_life_sd_days(written, overrides))
    return table, nuclides


def from_records(records: Records, settings: Settings) -> Countings:
    """The countings of the records, excluded ones dropped, in the order the rest of the counting works in."""
    readings = records.readings
    if bool(readings["excluded"].any()):
        readings = readings[~readings["excluded"].to_numpy(bool)]
    probe_names = _all_names(readings["probe"], records.probes["probe"])
    source_names = _all_names(readings["source"], records.sources["source"])
    listed = {name: _all_names(readings[name]) for name in ("window", "jig", "collimator", "readout", "operator")}
    source_table, nuclides = _source_table(source_names, records.sources, settings)
    names = Names(
        probe=tuple(probe_names), source=tuple(source_names), nuclide=tuple(nuclides),
        **{name: tuple(values) for name, values in listed.items()})

    probe = _codes(readings["probe"], probe_names)
    window = _codes(readings["window"], listed["window"])
    owner = probe.astype(np.int64) * max(len(names.window), 1) + window
    taken_at = readings["taken_at"].to_numpy("datetime64[us]")
    reading_id = readings["reading_id"].to_numpy(np.int64)
    kind = _codes(readings["measurement"], list(MEASUREMENTS))
    within: Ints = readings["repeat"].to_numpy().astype(np.int64) * len(MEASUREMENTS) + kind
    order = _order(owner, taken_at, within, reading_id)

    time_s = readings["count_time_s"].to_numpy(np.float64)[order]
    counted = readings["counts"].to_numpy(np.float64)[order]
    shown = readings["rate_cps"].to_numpy(np.float64)[order]
    step = readings["rate_step_cps"].to_numpy(np.float64)[order]
    derived = np.isnan(counted) & ~np.isnan(shown)
    rounding = np.where(derived & ~np.isnan(step), (step * time_s) ** 2 / 12.0, 0.0)

    def code(name: str, values: list[str]) -> Codes:
        codes = _codes(readings[name], values)
        return codes[order] if values else codes

    def number(name: str) -> Floats:
        values = readings[name].to_numpy(np.float64)
        return values if np.isnan(values).all() else values[order]

    measured = kind[order].astype(np.int8)
    return Countings(
        names=names, probes=_probe_table(probe_names, records.probes), sources=source_table,
        reading_id=reading_id[order], probe=probe[order], window=window[order], taken_at=taken_at[order],
        measurement=measured, counts=np.where(derived, shown * time_s, counted), rounding_counts2=rounding,
        derived=derived, count_time_s=time_s, source=code("source", source_names),
        reseated=readings["reseated"].to_numpy(bool)[order],
        jig=code("jig", listed["jig"]), collimator=code("collimator", listed["collimator"]),
        readout=code("readout", listed["readout"]), operator=code("operator", listed["operator"]),
        temperature_c=number("temperature_c"), battery_pct=number("battery_pct"), on_minutes=number("on_minutes"))


def _order(owner: Ints, taken_at: Times, within: Ints, reading_id: Ints) -> Ints:
    """Rows by (owner, taken_at, within, reading_id); quick where the records come ordered by time, as they should.

    within: repeat and measurement as one number, so that the order of storage says nothing of countings of one moment.
    """
    time = taken_at.astype(np.int64)
    if not in_order(time, reading_id):
        return np.lexsort((reading_id, within, time, owner)).astype(np.int64)
    if len(owner) and int(owner.max()) < 2**16 and int(owner.min()) >= 0:
        order = np.argsort(owner.astype(np.uint16), kind="stable").astype(np.int64)  # radix sort
    else:
        order = np.argsort(owner, kind="stable").astype(np.int64)
    before, after = order[:-1], order[1:]
    alike = (time[after] == time[before]) & (owner[after] == owner[before])
    if (alike & (within[after] < within[before])).any():
        return np.lexsort((reading_id, within, time, owner)).astype(np.int64)
    return order
