"""The answer of a fleet kept, so that after a check more only what hangs together with it is worked out again.

The first answer is worked out whole. A later one differs from it only in the groups (``partition.components``) in which a
probe has another print (``records.standing``). Those are worked out again with the constants of the fleet that the first
answer was made with, and put into its place. If their say changes a constant (placing at a month start, slopes by kind of
detector, the history of services), everything depends on it and is worked out whole again; constants carry few digits, so that
this is rare. The same holds where a group comes to share a device with another, a month begins, or a registry changes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.advice.probe_history import first_checks, fleet_history
from analytics.baseline.forward import month_starts
from analytics.baseline.noise import FleetPlacing
from analytics.baseline.rows import Bools, Floats, Ints
from analytics.cut import cut
from analytics.drift.slopes import slope_votes
from analytics.drift.state import detectors_of, response_trends, steps
from analytics.fleet import FleetConstants, Worked, work_out
from analytics.records.standing import Prints, Standing
from analytics.results import FleetAssessment, LateTables
from analytics.settings import Settings
from analytics.spread import stages
from analytics.spread.engine import slope_totals, taken_together
from analytics.spread.merge import merged
from analytics.spread.partition import DEVICES, Grouping, Part, codes, grouping, part_records
from analytics.spread.stages import PartAnswer, PlacingVotes, SlopeVotes

MOST_OF_IT = 0.5  # share of the readings from which on working out single groups gains nothing


@dataclass(frozen=True)
class Said:
    """What some probes say of the constants of the fleet, and their answer."""

    placing: PlacingVotes
    slopes: SlopeVotes
    first_checks: dict[str, float]
    answer: PartAnswer
    span: tuple[float, float] | None = None  # days of the response


@dataclass(frozen=True)
class Whole:
    """A fleet worked out whole."""

    said: Said
    unit_probe: Ints  # [units]
    unit_span: tuple[Floats, Floats]  # [units] first and last day
    groups: Grouping
    constants: FleetConstants
    prints: Prints
    config: str
    as_of: datetime


@dataclass
class KeptFleet:
    """Answers one revision after the other; not for several threads at once."""

    whole: Whole | None = None
    again: dict[int, tuple[Prints, Said]] = field(default_factory=dict)  # by group: its newest prints, and what it said
    passes: int = 0  # how often everything was worked out

    def answer(self, stand: Standing, settings: Settings, as_of: datetime) -> FleetAssessment:
        """What ``fleet.assess`` answers for these records, to the same last digit."""
        found = self.go_on(stand, settings, as_of)
        if found is not None:
            return found
        self.again.clear()
        self.passes += 1
        worked = work_out(stand.records, settings, as_of)
        self.whole = kept(worked, stand, settings, as_of)
        return worked.answer

    def go_on(self, stand: Standing, settings: Settings, as_of: datetime) -> FleetAssessment | None:
        """The same from what is kept, with no more than single groups worked out; None where that does not do."""
        whole = self.whole
        if whole is None or whole.config != settings.fingerprint or whole.as_of != as_of:
            return None
        groups = _altered(whole, stand.prints)
        if groups is None:
            return None
        made: list[Said] = []
        for group in groups:
            names = whole.groups.names["probe"][whole.groups.group == group]
            prints = {one: stand.prints[one] for one in names if one in stand.prints}
            before = self.again.get(group)
            same = before is not None and before[0] == prints
            said = before[1] if before is not None and same else _worked_again(whole, stand, settings, group, frozenset(names))
            if said is None:
                return None
            self.again[group] = prints, said
            made.append(said)
        rest = ~np.isin(whole.groups.group, groups)
        if not _same_constants(whole, stand, settings, made, rest):
            return None
        return merged([_rest(whole, rest), *(one.answer for one in made)], stand.revision)


def kept(worked: Worked, stand: Standing, settings: Settings, as_of: datetime) -> Whole | None:
    """What is needed to go on from; None where nothing was read."""
    rows, counted = worked.charts.rows, worked.counted
    if rows.units == 0:
        return None
    groups = grouping(stand.records)
    names = groups.names["probe"]
    unit_probe = names.get_indexer(pd.Index(counted.names.probe, dtype=object)).astype(np.int64)[rows.unit_probe]
    edges = month_starts(float(rows.at_days.min()), float(rows.at_days.max()))
    detectors = detectors_of(rows.unit_probe, counted.names, stand.now)
    slopes = SlopeVotes(unit_probe, detectors, *slope_votes(response_trends(worked.charts), steps(worked.charts)))
    first, readings = first_checks(counted), worked.known.readings
    owner, source_checks = stages.owners(readings, codes(readings["probe"], names), counted)
    constants = FleetConstants(
        FleetPlacing(edges, taken_together([worked.placing_votes], len(edges), settings)),
        slope_totals([slopes]),
        fleet_history(cut(stand.now, as_of), first, as_of),
    )
    begins = rows.unit_first[:-1]
    return Whole(
        Said(worked.placing_votes, slopes, first, PartAnswer(worked.answer, {}, owner, source_checks)),
        unit_probe,
        (np.minimum.reduceat(rows.at_days, begins), np.maximum.reduceat(rows.at_days, begins)),
        groups,
        constants,
        stand.prints,
        settings.fingerprint,
        as_of,
    )


def _altered(whole: Whole, prints: Prints) -> list[int] | None:
    """Groups of which a probe has another print; None where it is no matter of single groups."""
    other = [one for one in {*prints, *whole.prints} if prints.get(one) != whole.prints.get(one)]
    place = whole.groups.names["probe"].get_indexer(pd.Index(other, dtype=object))
    if (place < 0).any():  # a probe nobody knew, or what belongs to no probe
        return None
    found = np.unique(whole.groups.group[place]) if other else np.zeros(0, np.int64)
    if whole.groups.weight[found].sum() > MOST_OF_IT * whole.groups.weight.sum():
        return None
    return [int(one) for one in found]


def _worked_again(
    whole: Whole, stand: Standing, settings: Settings, group: int, probes: frozenset[str]
) -> Said | None:
    """One group with the constants of the whole; None where it now shares a device with another, or names a new one."""
    groups = whole.groups
    readings = stand.readings_of(probes)
    devices = {kind: frozenset(groups.names[kind][groups.of_device[kind] == group]) for kind in DEVICES}
    for kind in DEVICES:
        used = readings[kind].cat.remove_unused_categories().cat.categories
        if not devices[kind].issuperset(used):
            return None
    part = Part(part_records(stand.now, groups.categories(readings), probes), devices)
    prepared = stages.prepare(part, settings, whole.as_of)
    span = stages.span(prepared)
    walked = stages.walked(prepared, settings, whole.constants.placing)
    charted = stages.charted(walked, settings)
    return Said(
        stages.placing_votes(walked),
        stages.slopes(charted),
        span.first_checks,
        stages.finish(charted, settings, whole.as_of, whole.constants),
        span.days,
    )


def _same_constants(whole: Whole, stand: Standing, settings: Settings, made: list[Said], rest: Bools) -> bool:
    """Whether the fleet's constants are still those of the whole, with the groups that were worked out again."""
    was, units = whole.constants, rest[whole.unit_probe]
    first, last = (part[units] for part in whole.unit_span)
    days = [*first, *last, *(day for one in made if one.span is not None for day in one.span)]
    if not days or not np.array_equal(month_starts(min(days), max(days)), was.placing.edges):
        return False
    heard = [(weighted[units], weights[units]) for weighted, weights in whole.said.placing]
    placing = taken_together([heard, *(one.placing for one in made)], len(was.placing.edges), settings)
    if was.placing.variance is None or not np.array_equal(placing[1:], was.placing.variance[1:]):
        return False
    slopes = whole.said.slopes
    some = np.flatnonzero(units)
    others = SlopeVotes(
        slopes.probe[some], [slopes.detector[one] for one in some], slopes.probability[some], slopes.log_size[some]
    )
    totals = slope_totals([others, *(one.slopes for one in made)])
    if totals != was.slope_totals:
        return False
    checks = {name: at for name, at in whole.said.first_checks.items() if rest[whole.groups.names["probe"].get_loc(name)]}
    for one in made:
        checks |= one.first_checks
    now = fleet_history(cut(stand.now, whole.as_of), {name: checks[name] for name in sorted(checks)}, whole.as_of)
    return now == was.history


def _rest(whole: Whole, rest: Bools) -> PartAnswer:
    """The answer of the whole without the groups that were worked out again."""
    said, names = whole.said.answer, whole.groups.names["probe"]
    mine = frozenset(names[rest])
    groups = np.unique(whole.groups.group[rest])
    devices = {
        kind: frozenset(whole.groups.names[kind][np.isin(of, groups) | (of < 0)])
        for kind, of in whole.groups.of_device.items()
    }
    one = said.assessment
    series = tuple(s for s in one.series if s.probe in mine)
    kept_series = np.zeros(len(one.series), bool)
    kept_series[[s.index for s in series]] = True
    of_check = said.probe_of_check
    kept_checks = rest[of_check] | (of_check < 0)
    new_check = np.cumsum(kept_checks) - 1

    def tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        points = one.points[kept_series[one.points["series"].to_numpy()]]
        countings = one.countings[kept_checks[one.countings["check"].to_numpy()]]
        shared = one.shared
        own = [n in devices[str(k)] for k, n in zip(shared["kind"].astype(object), shared["name"].astype(object), strict=True)]
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
        series=series,
        probes=tuple(p for p in one.probes if p.probe in mine),
        sources=tuple(d for d in one.sources if d.name in devices["source"]),
        jigs=tuple(d for d in one.jigs if d.name in devices["jig"]),
        readouts=tuple(d for d in one.readouts if d.name in devices["readout"]),
    )
    return PartAnswer(answer, devices, of_check[kept_checks], int(kept_checks[: said.source_checks].sum()))
