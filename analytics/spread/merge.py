"""Answers for parts put together as if they had been one: same order, same numbers of series and checks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Any

import numpy as np
import pandas as pd

from analytics.baseline.rows import Bools, Ints
from analytics.results import DeviceResult, FleetAssessment, LateTables, SeriesResult
from analytics.series import QUANTITY_ORDER
from analytics.spread.stages import PartAnswer

_BUT_PLACE = attrgetter(*(one.name for one in fields(SeriesResult) if one.name != "index"))  # ``index`` is the first


def merged(parts: Sequence[PartAnswer], revision: int | None = None) -> FleetAssessment:
    """The whole answer, its tables when they are asked for. Parts must be of one set of settings and one moment.

    revision: that of the whole; None: that of the parts.
    """
    one = parts[0].assessment
    series, index_of = _series([part.assessment for part in parts])

    def tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        check_of = _checks(parts)
        points = [
            part.assessment.points.assign(
                series=index[part.assessment.points["series"]].astype(np.int32), check=check[part.assessment.points["check"]]
            )
            for part, index, check in zip(parts, index_of, check_of, strict=True)
        ]
        countings = [
            part.assessment.countings.assign(check=check[part.assessment.countings["check"]])
            for part, check in zip(parts, check_of, strict=True)
        ]
        return (
            _table(points, "series"),
            _table(countings, "check"),
            _shared([part.assessment.shared for part in parts]),
        )

    return LateTables.of(
        tables,
        as_of=one.as_of,
        version=one.version,
        revision=one.revision if revision is None else revision,
        config=one.config,
        series=series,
        probes=tuple(sorted((p for part in parts for p in part.assessment.probes), key=lambda p: p.probe)),
        sources=_devices(parts, "source"),
        jigs=_devices(parts, "jig"),
        readouts=_devices(parts, "readout"),
    )


@dataclass(frozen=True)
class Live:
    """What of a part's answer stands, while other parts have been worked out again."""

    part: PartAnswer
    group: int  # of ``partition.Grouping``; −1: all of them
    probes: Bools  # by code in the fleet
    devices: Mapping[str, frozenset[str]]

    def without(self, probes: Bools, devices: Mapping[str, frozenset[str]]) -> Live:
        """The same where these have been worked out again."""
        return Live(self.part, self.group, self.probes & ~probes, {kind: of - devices[kind] for kind, of in self.devices.items()})

    def __bool__(self) -> bool:
        """Whether anything of it stands."""
        return bool(self.probes.any()) or any(self.devices.values())


def together(live: Sequence[Live], probes: pd.Index, revision: int) -> FleetAssessment:
    """The whole answer of what stands of each. probes: names by code."""
    return merged([standing(one, probes) for one in live], revision)


def standing(live: Live, probes: pd.Index) -> PartAnswer:
    """A part's answer with nothing in it but what stands."""
    one, of_check = live.part.assessment, live.part.probe_of_check
    mine = frozenset(probes[live.probes])
    kept_series = np.zeros(max((s.index for s in one.series), default=-1) + 1, bool)
    kept_series[[s.index for s in one.series if s.probe in mine]] = True
    kept_checks = np.append(live.probes, live.group < 0)[of_check]
    new_check = np.cumsum(kept_checks) - 1

    def tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        points = one.points[kept_series[one.points["series"].to_numpy()]]
        countings = one.countings[kept_checks[one.countings["check"].to_numpy()]]
        shared = one.shared
        own = [
            name in live.devices[str(kind)]
            for kind, name in zip(shared["kind"].astype(object), shared["name"].astype(object), strict=True)
        ]
        return (
            points.assign(check=new_check[points["check"].to_numpy()]),
            countings.assign(check=new_check[countings["check"].to_numpy()]),
            shared[np.array(own, bool)],
        )

    answer = LateTables.of(
        tables,
        as_of=one.as_of,
        version=one.version,
        revision=one.revision,
        config=one.config,
        series=tuple(s for s in one.series if s.probe in mine),
        probes=tuple(p for p in one.probes if p.probe in mine),
        **{f"{kind}s": tuple(d for d in getattr(one, f"{kind}s") if d.name in of) for kind, of in live.devices.items()},
    )
    return PartAnswer(answer, dict(live.devices), of_check[kept_checks], int(kept_checks[: live.part.source_checks].sum()))


def exchanged(
    whole: FleetAssessment, part: FleetAssessment, probes: frozenset[str], devices: Mapping[str, frozenset[str]]
) -> dict[str, tuple[Any, ...]]:
    """Series, probes and devices of the whole by name of the field, those of some probes and devices from the part.

    Where the part has the series that there were, nothing else is moved.
    """
    before, after = _by_probe(whole.series, probes), _by_probe(part.series, probes)
    out: dict[str, tuple[Any, ...]] = {}
    if all([_key(s) for s in before.get(one, ())] == [_key(s) for s in after.get(one, ())] for one in probes):
        series = list(whole.series)
        for name, some in after.items():
            for was, now in zip(before[name], some, strict=True):
                series[was.index] = _at(now, was.index)
        out["series"] = tuple(series)
    else:
        every = sorted([s for s in whole.series if s.probe not in probes] + [s for s in part.series if s.probe in probes], key=_key)
        out["series"] = tuple(s if s.index == place else _at(s, place) for place, s in enumerate(every))
    mine = [p for p in part.probes if p.probe in probes]
    out["probes"] = tuple(sorted([*(p for p in whole.probes if p.probe not in probes), *mine], key=lambda p: p.probe))
    for kind, names in devices.items():
        field = f"{kind}s"
        found: list[DeviceResult] = [d for d in getattr(whole, field) if d.name not in names]
        found += [d for d in getattr(part, field) if d.name in names]
        out[field] = tuple(sorted(found, key=lambda d: d.name))
    return out


def _by_probe(series: Sequence[SeriesResult], probes: frozenset[str]) -> dict[str, list[SeriesResult]]:
    out: dict[str, list[SeriesResult]] = {}
    for one in series:
        if one.probe in probes:
            out.setdefault(one.probe, []).append(one)
    return out


def _at(one: SeriesResult, place: int) -> SeriesResult:
    """The series at another place; half the time of ``dataclasses.replace``, and there may be thousands."""
    return SeriesResult(place, *_BUT_PLACE(one))


def _key(one: SeriesResult) -> tuple[str, ...]:
    """By which series stand in order."""
    return one.probe, str(QUANTITY_ORDER[one.quantity]), one.window, one.jig or "", one.collimator or "", one.nuclide or ""


def _series(answers: list[FleetAssessment]) -> tuple[tuple[SeriesResult, ...], list[Ints]]:
    """Every series with its place in the whole, and for each part the new place of each of its own."""
    every = [(part, s) for part, one in enumerate(answers) for s in one.series]
    every.sort(key=lambda one: _key(one[1]))
    index_of = [np.zeros(max((s.index for s in one.series), default=-1) + 1, np.int64) for one in answers]
    out = []
    for place, (part, s) in enumerate(every):
        index_of[part][s.index] = place
        out.append(s if s.index == place else _at(s, place))
    return tuple(out), index_of


def _checks(parts: Sequence[PartAnswer]) -> list[Ints]:
    """For each part the number in the whole of each of its checks: those on a source by probe, then the backgrounds by probe."""
    owner = np.concatenate([part.probe_of_check for part in parts])
    background = np.concatenate([np.arange(len(part.probe_of_check)) >= part.source_checks for part in parts])
    number = np.empty(len(owner), np.int64)
    number[np.lexsort((owner, background))] = np.arange(len(owner))
    return np.split(number, np.cumsum([len(part.probe_of_check) for part in parts])[:-1])


def _devices(parts: Sequence[PartAnswer], kind: str) -> tuple[DeviceResult, ...]:
    found = [
        one for part in parts for one in getattr(part.assessment, f"{kind}s") if one.name in part.devices[kind]
    ]
    return tuple(sorted(found, key=lambda one: one.name))


def _table(parts: list[pd.DataFrame], by: str) -> pd.DataFrame:
    """Rows of all parts. Each is in order already, and has all rows of whatever number it has of ``by``; so these alone are put in order."""
    for name in parts[0].columns[parts[0].dtypes == "category"]:
        names = sorted({str(one) for part in parts for one in part[name].cat.categories})
        if any(len(part[name].cat.categories) != len(names) for part in parts):  # a part may know fewer names than the whole
            parts = [part.assign(**{name: part[name].cat.set_categories(names)}) for part in parts]
    number = np.concatenate([part[by].to_numpy() for part in parts])
    order = None if (number[1:] >= number[:-1]).all() else np.argsort(number, kind="stable")
    columns: dict[str, Any] = {}
    for name in parts[0].columns:
        arrays = [part[name].array for part in parts]
        if isinstance(arrays[0], pd.Categorical):
            codes = np.concatenate([one.codes for one in arrays])
            columns[name] = pd.Categorical.from_codes(codes if order is None else codes[order], dtype=arrays[0].dtype, validate=False)
        else:
            values = np.concatenate([part[name].to_numpy() for part in parts])
            columns[name] = values if order is None else values[order]
    return pd.DataFrame(columns, copy=False)


def _shared(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Sources, jigs, control units; by name and then as each part has it."""
    table = pd.concat([part.astype({"kind": str, "name": object}) for part in parts], ignore_index=True)
    if table.empty:
        return parts[0]
    kind = table["kind"].map({"source": 0, "jig": 1, "readout": 2}).to_numpy(np.int64)
    order = np.lexsort((np.unique(table["name"].astype(object), return_inverse=True)[1], kind))
    table = table.iloc[order].reset_index(drop=True)
    table["kind"], table["name"] = pd.Categorical(table["kind"]), pd.Categorical(table["name"])
    return table
