"""Answers for parts put together as if they had been one: same order, same numbers of series and checks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.baseline.rows import Ints
from analytics.results import DeviceResult, FleetAssessment, LateTables, SeriesResult
from analytics.series import QUANTITY_ORDER
from analytics.spread.stages import PartAnswer


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
            _table(points, ["series", "check_at", "check"]),
            _table(countings, ["check", "reading_id"]),
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


def _series(answers: list[FleetAssessment]) -> tuple[tuple[SeriesResult, ...], list[Ints]]:
    """Every series with its place in the whole, and for each part the new place of each of its own."""
    every = [(part, s) for part, one in enumerate(answers) for s in one.series]
    every.sort(
        key=lambda one: (
            one[1].probe, str(QUANTITY_ORDER[one[1].quantity]), one[1].window, one[1].jig or "", one[1].collimator or "",
            one[1].nuclide or "",
        )
    )  # fmt: skip
    index_of = [np.zeros(max((s.index for s in one.series), default=-1) + 1, np.int64) for one in answers]
    out = []
    for place, (part, s) in enumerate(every):
        index_of[part][s.index] = place
        out.append(s if s.index == place else replace(s, index=place))
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


def _table(parts: list[pd.DataFrame], by: list[str]) -> pd.DataFrame:
    return pd.concat(parts, ignore_index=True).sort_values(by, kind="stable").reset_index(drop=True)


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
