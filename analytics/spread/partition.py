"""A fleet in parts that share nothing: no check source, jig or control unit stands in two of them.

Movement in common, neighbours on a source, and what is found on devices rest on all probes read with one source, jig or
control unit. So whatever hangs together through any of these goes into one part: sites that lend each other a source are
one part, however large. What is left to share between parts is the small table of ``fleet.FleetConstants``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.baseline.rows import Ints
from analytics.records.snapshot import Records

DEVICES = ("source", "jig", "readout")
Used = Mapping[str, Mapping[str, frozenset[str]]]  # by kind of device and probe: those it was read with


@dataclass(frozen=True)
class Part:
    """Records of some probes whole. The categories are those of the whole fleet, so codes mean the same everywhere."""

    records: Records
    devices: dict[str, frozenset[str]]  # by kind: the names this part answers for


def components(readings: pd.DataFrame, probes: pd.Index, names: dict[str, pd.Index]) -> tuple[Ints, dict[str, Ints]]:
    """Number of the connected group of every probe, and of every source, jig and control unit; −1: read with by nobody."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    probe = codes(readings["probe"], probes)
    begins, total = {}, len(probes)
    for kind in DEVICES:
        begins[kind] = total
        total += len(names[kind])
    ends = []
    for kind in DEVICES:
        code = codes(readings[kind], names[kind])
        used = (code >= 0) & (probe >= 0)
        pairs = np.unique(probe[used] * np.int64(max(len(names[kind]), 1)) + code[used])
        ends.append(np.stack([pairs // max(len(names[kind]), 1), begins[kind] + pairs % max(len(names[kind]), 1)]))
    pair = np.concatenate(ends, axis=1)
    graph = coo_array((np.ones(pair.shape[1], np.int8), (pair[0], pair[1])), shape=(total, total))
    _, label = connected_components(graph, directed=False)
    known, group = np.unique(label[: len(probes)], return_inverse=True)

    def of(kind: str) -> Ints:
        mine = label[begins[kind] : begins[kind] + len(names[kind])]
        if len(known) == 0:
            return np.full(len(mine), -1, np.int64)
        place = np.minimum(np.searchsorted(known, mine), len(known) - 1)
        return np.where(known[place] == mine, place, -1).astype(np.int64)

    return group.astype(np.int64), {kind: of(kind) for kind in DEVICES}


def packed(weight: Ints, parts: int) -> Ints:
    """Part of every group: the heaviest first, each into the lightest part so far (longest processing time first).

    >>> packed(np.array([5, 1, 3, 3]), 2).tolist()
    [0, 0, 1, 1]
    """
    import heapq

    out = np.zeros(len(weight), np.int64)
    load = [(0, part) for part in range(max(parts, 1))]
    for group in np.argsort(-weight, kind="stable"):
        least, part = heapq.heappop(load)
        out[group] = part
        heapq.heappush(load, (least + int(weight[group]), part))
    return out


@dataclass(frozen=True)
class Grouping:
    """What hangs together; codes are places in ``names``."""

    names: dict[str, pd.Index]  # of probes and, by kind, of devices: sorted
    group: Ints  # [probes]
    of_device: dict[str, Ints]  # by kind: group of each device, −1 where nobody was read with it
    weight: Ints  # [groups] readings

    @property
    def groups(self) -> int:
        """How many."""
        return len(self.weight)

    def categories(self, readings: pd.DataFrame) -> pd.DataFrame:
        """The readings with the categories of the whole fleet."""
        return readings.assign(
            **{kind: readings[kind].cat.set_categories(self.names[kind]) for kind in ("probe", *DEVICES)}
        )


def grouping(records: Records) -> Grouping:
    """The groups of these records."""
    return grouping_of(records.readings, records.probes["probe"], records.sources["source"])


def grouping_of(ties: pd.DataFrame, probes: pd.Series, sources: pd.Series) -> Grouping:
    """The same from the readings, or from a row for each way in which some were taken: probe, devices and how many ``readings``.

    probes, sources: the registered ones.
    """
    registered = {"probe": probes, "source": sources}
    names = {kind: _names(ties[kind], registered.get(kind)) for kind in ("probe", *DEVICES)}
    group, of_device = components(ties, names["probe"], names)
    many = ties.get("readings")
    by_probe = np.bincount(codes(ties["probe"], names["probe"]), many, minlength=len(names["probe"]))
    weight = np.bincount(group, weights=by_probe, minlength=int(group.max(initial=-1)) + 1)
    return Grouping(names, group, of_device, weight.astype(np.int64))


def split(records: Records, parts: int) -> tuple[Part, ...]:
    """The records in at most so many parts of about equal numbers of readings; parts without any probe are left out.

    Devices that nobody was read with go to the first part. Registries of sources and windows, and the decisions of people,
    travel whole: they are small.
    """
    whole = grouping(records)
    readings, names = whole.categories(records.readings), whole.names
    own, shares = shared_out(whole, parts)
    row_part = own[codes(readings["probe"], names["probe"])] if len(readings) else np.zeros(0, np.int64)
    return tuple(
        Part(part_records(records, readings[row_part == number], one.probes), one.devices) for number, one in shares.items()
    )


@dataclass(frozen=True)
class Share:
    """Who is in a part."""

    probes: frozenset[str]
    devices: dict[str, frozenset[str]]  # by kind: the names it answers for
    readings: int


def shared_out(whole: Grouping, parts: int) -> tuple[Ints, dict[int, Share]]:
    """The number of the part of every probe, and the parts by number, as ``split`` has them."""
    part_of = packed(whole.weight, min(parts, max(whole.groups, 1)))
    own, names = part_of[whole.group], whole.names
    load = np.bincount(part_of, whole.weight, max(parts, 1))
    kept = sorted(set(own.tolist())) or [0]
    out = {}
    for number in kept:
        devices = {}
        for kind in DEVICES:
            label = whole.of_device[kind]
            place = np.where(label >= 0, part_of[np.maximum(label, 0)] if whole.groups else 0, kept[0])
            devices[kind] = frozenset(names[kind][place == number])
        out[number] = Share(frozenset(names["probe"][own == number]), devices, int(load[number]))
    return own, out


def part_records(records: Records, readings: pd.DataFrame, probes: frozenset[str]) -> Records:
    """The records of some probes, whose readings are given."""

    def mine(table: pd.DataFrame) -> pd.DataFrame:
        return table[table["probe"].isin(probes)].reset_index(drop=True)

    return replace(
        records,
        readings=readings.reset_index(drop=True),
        probes=mine(records.probes),
        events=mine(records.events),
        inspections=records.inspections[
            records.inspections["probe"].isin(probes) | records.inspections["source"].notna()
        ].reset_index(drop=True),
        uses=records.uses.iloc[:0],  # no part of the answer
        outcomes=records.outcomes.iloc[:0],
    )


def used(readings: pd.DataFrame) -> Used:
    """Every probe with the devices of which it has a reading, excluded ones too."""
    out = {}
    probe, probes = readings["probe"].cat.codes.to_numpy(np.int64), readings["probe"].cat.categories
    for kind in DEVICES:
        code, names = readings[kind].cat.codes.to_numpy(np.int64), readings[kind].cat.categories
        named = (code >= 0) & (probe >= 0)
        of: dict[str, set[str]] = {}
        for pair in np.unique(probe[named] * len(names) + code[named]).tolist():
            of.setdefault(str(probes[pair // len(names)]), set()).add(str(names[pair % len(names)]))
        out[kind] = {name: frozenset(some) for name, some in of.items()}
    return out


def _names(column: pd.Series, registered: pd.Series | None) -> pd.Index:
    found = {str(one) for one in column.cat.categories}
    if registered is not None:
        found |= {str(one) for one in registered.dropna()}
    return pd.Index(sorted(found), dtype=object)


def codes(column: pd.Series, names: pd.Index) -> Ints:
    """Codes of a categorical column into ``names``; −1 where missing."""
    table = names.get_indexer(pd.Index(column.cat.categories).astype(object)).astype(np.int64)
    own = column.cat.codes.to_numpy()
    return np.where(own >= 0, table[own], -1) if len(table) else np.full(len(column), -1, np.int64)
