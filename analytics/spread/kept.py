"""The answer of a fleet kept, so that after a check more only what hangs together with it is worked out again.

The first answer is worked out whole. A later one differs from it only in the groups (``partition.components``) in which a
probe has another print (``records.standing``), and there only from the first row that is another (``going_on``). What comes of
that is put into the place of what was. If its say changes a constant (placing at a month start, slopes by kind of detector, the
history of services), everything depends on it and is worked out whole again; constants carry few digits, so that this is rare.
The same holds where a group comes to share a device with another, a month begins, or a registry changes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.advice.probe_history import first_checks, fleet_history
from analytics.advice.told_apart import Untold, untold
from analytics.baseline.forward import month_starts
from analytics.baseline.noise import FleetPlacing
from analytics.baseline.rows import Bools, Floats, Ints
from analytics.cut import cut
from analytics.drift.slopes import slope_votes
from analytics.drift.state import detectors_of
from analytics.fleet import FleetConstants, Worked, work_out
from analytics.records.standing import Prints, Standing
from analytics.results import FleetAssessment, LateTables
from analytics.settings import Settings
from analytics.spread import stages
from analytics.spread.engine import placing_of, slope_totals, taken_together
from analytics.spread.going_on import CannotGoOnError, GoneOn, gone_on
from analytics.spread.group import Ground, GroupNames, Stand
from analytics.spread.merge import Live, exchanged, together
from analytics.spread.partition import DEVICES, Grouping, Used, codes, grouping, used
from analytics.spread.stages import PartAnswer, SlopeVotes

MOST_OF_IT = 0.5  # share of the probes from which on going on gains nothing
MOST_ROWS = 400_000  # of the groups that stay as they stand, some 130 MB: the last ones; others are gone on with from the full pass again
MOST_PARTS = 6  # answers of a group side by side, beyond which its altered probes are worked out as one


@dataclass(frozen=True)
class Units:
    """What the units of the fleet say of its constants; arrays [units], sorted by probe."""

    probe: Ints  # codes in the fleet
    first_days: Floats
    last_days: Floats
    weighted: Floats  # [halts, units]
    weights: Floats
    slopes: SlopeVotes


@dataclass(frozen=True)
class Whole:
    """A fleet as it stands: worked out whole once, and gone on with since."""

    answer: FleetAssessment
    live: tuple[Live, ...]
    units: Units
    first_checks: Mapping[str, float]
    used: Used  # which probe was read with which device
    prints: Prints
    of_history: int
    stands: Mapping[int, Stand]  # of the groups that were gone on with last, the newest at the end
    ground: Ground
    at_first: Prints  # of the records that it was worked out whole from
    groups: Grouping
    constants: FleetConstants
    config: str
    as_of: datetime


@dataclass
class KeptFleet:
    """Answers one revision after the other; not for several threads at once."""

    whole: Whole | None = None
    passes: int = 0  # how often everything was worked out

    def answer(self, stand: Standing, settings: Settings, as_of: datetime) -> FleetAssessment:
        """What ``fleet.assess`` answers for these records, to the same last digit."""
        whole = self.whole
        if whole is not None and whole.config == settings.fingerprint and whole.as_of == as_of:
            self.whole = went_on(whole, stand, settings)
            if self.whole is not None:
                return self.whole.answer
        self.passes += 1
        self.whole = None
        worked = work_out(stand.records, settings, as_of)
        self.whole = kept(worked, stand, settings, as_of)
        return worked.answer


def kept(worked: Worked, stand: Standing, settings: Settings, as_of: datetime) -> Whole | None:
    """What is needed to go on from; None where nothing was read."""
    rows, counted = worked.charts.rows, worked.counted
    if rows.units == 0:
        return None
    groups = grouping(stand.records)
    names = groups.names["probe"]
    if tuple(names) != counted.names.probe:
        return None
    edges = month_starts(float(rows.at_days.min()), float(rows.at_days.max()))
    detectors = detectors_of(rows.unit_probe, counted.names, stand.now)
    slopes = SlopeVotes(rows.unit_probe, detectors, *slope_votes(worked.fits.trends))
    first, readings = first_checks(counted), worked.known.readings
    owner, source_checks = stages.owners(readings, codes(readings["probe"], names), counted)
    constants = FleetConstants(
        FleetPlacing(edges, taken_together([worked.placing_votes], len(edges), settings)),
        slope_totals([slopes]),
        fleet_history(cut(stand.now, as_of), first, as_of),
    )
    begins = rows.unit_first[:-1]
    units = Units(
        rows.unit_probe,
        np.minimum.reduceat(rows.at_days, begins),
        np.maximum.reduceat(rows.at_days, begins),
        np.array([one for one, _ in worked.placing_votes]),
        np.array([one for _, one in worked.placing_votes]),
        slopes,
    )
    devices = {kind: frozenset(groups.names[kind]) for kind in DEVICES}
    return Whole(
        worked.answer,
        (Live(PartAnswer(worked.answer, devices, owner, source_checks), -1, np.ones(len(names), bool), devices),),
        units,
        first,
        used(stand.records.readings),
        stand.prints,
        stand.print_of_history,
        {},
        Ground.of(counted, worked.charts, worked.placing_votes),
        stand.prints,
        groups,
        constants,
        settings.fingerprint,
        as_of,
    )


def went_on(whole: Whole, stand: Standing, settings: Settings) -> Whole | None:
    """The fleet with the records of now, no more worked out than must be; None where that does not do."""
    altered = _altered(whole, stand.prints)
    if altered is None:
        return None
    now = replace(whole, prints=stand.prints, of_history=stand.print_of_history)
    if not altered:
        return replace(now, answer=_answer(now, {}, stand.revision))
    try:
        for group, probes in altered.items():
            names = GroupNames.in_fleet(whole.groups, group)
            before, some = whole.stands.get(group), set(probes)
            parts = [one for one in whole.live if one.group == group and one.probes.any()]
            if before is None or len(parts) >= MOST_PARTS:
                some.update(*(whole.groups.names["probe"][one.probes] for one in parts))
            if before is None:
                before = _at_first(whole, names, settings)
                some |= {one for one in names.of["probe"] if stand.prints.get(one) != whole.at_first.get(one)}
            made = gone_on(before, names, frozenset(some), stand, settings, whole.as_of, whole.constants)
            now = _exchanged(now, group, names, made, frozenset(some), stand.revision, settings)
    except CannotGoOnError:
        return None
    return now if _same_history(whole, now, stand) else None


def _at_first(whole: Whole, names: GroupNames, settings: Settings) -> Stand:
    """A group as the full pass left it. Whatever was judged again since is another then, and must be judged once more."""
    stand = whole.ground.group(names, Untold({}, {}, {}))
    return replace(stand, apart=untold(stand.together(names.names).levels, names.names.source, settings.shared.least_probes))


def _altered(whole: Whole, prints: Prints) -> dict[int, frozenset[str]] | None:
    """By group the probes that have another print; None where it is no matter of single groups."""
    other = [one for one in {*prints, *whole.prints} if prints.get(one) != whole.prints.get(one)]
    names = whole.groups.names["probe"]
    place = names.get_indexer(pd.Index(other, dtype=object))
    if (place < 0).any():  # a probe nobody knew, or what belongs to no probe
        return None
    if len(other) > MOST_OF_IT * len(names):
        return None
    groups = whole.groups.group[place]
    return {int(group): frozenset(names[place[groups == group]]) for group in np.unique(groups)}


def _exchanged(
    whole: Whole, group: int, names: GroupNames, made: GoneOn, some: frozenset[str], revision: int, settings: Settings
) -> Whole:
    """What came of one group put into its place. some: its probes that were counted again.

    Raises:
        CannotGoOnError: it alters a constant of the fleet, or a device has nobody any more who is read with it.
    """
    probes = frozenset(names.of["probe"][made.probes])
    mask = np.zeros(len(whole.groups.group), bool)
    mask[names.fleet_code[made.probes]] = True
    units = _with_units(whole.units, mask, names, made)
    _hold_to_constants(whole, units, settings)
    first = {name: at for name, at in whole.first_checks.items() if name not in probes} | made.span.first_checks
    live = tuple(one for one in (*(one.without(mask, made.answer.devices) for one in whole.live),) if one)
    live += (Live(made.answer, group, mask, made.answer.devices),)
    fields = exchanged(whole.answer, made.answer.assessment, probes, made.answer.devices)
    now = replace(
        whole, live=live, units=units, first_checks=first, used=_used_now(whole.used, some, made.used),
        stands=_newest({**{number: one for number, one in whole.stands.items() if number != group}, group: made.stand}),
    )
    return replace(now, answer=_answer(now, fields, revision))


def _newest(stands: Mapping[int, Stand]) -> Mapping[int, Stand]:
    """The last of them, as many as there is room for."""
    rows, out = 0, list[tuple[int, Stand]]()
    for number, one in reversed(list(stands.items())):
        rows += len(one.rows["probe"])
        if rows > MOST_ROWS:
            break
        out.append((number, one))
    return dict(reversed(out))


def _answer(whole: Whole, fields: Mapping[str, tuple[object, ...]], revision: int) -> FleetAssessment:
    """The answer with some fields exchanged; its tables are put together of what stands of each part when they are asked for."""
    live, names = whole.live, whole.groups.names["probe"]

    def tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        one = together(live, names, revision)
        return one.points, one.countings, one.shared

    before = whole.answer
    given = {name: getattr(before, name) for name in ("as_of", "version", "config", "series", "probes", "sources", "jigs", "readouts")}
    return LateTables.of(tables, **(given | dict(fields)), revision=revision)


def _with_units(units: Units, mask: Bools, names: GroupNames, made: GoneOn) -> Units:
    """The units with those of some probes exchanged."""
    stand, out = made.stand, mask[units.probe]
    mine = stand.units_of(made.probes)
    rows = stand.as_rows
    begins = rows.unit_first[:-1]
    first, last = (at.reduceat(rows.at_days, begins)[mine] if len(begins) else np.zeros(0) for at in (np.minimum, np.maximum))
    probe = names.fleet_code[stand.units["probe"][mine]]
    order = np.argsort(np.concatenate([units.probe[~out], probe]), kind="stable")

    def with_new(was: np.ndarray, now: np.ndarray) -> np.ndarray:
        if out.sum() == len(probe):  # as nearly always: they go where those were that they stand for
            whole = was.copy()
            whole[..., out] = now
            return whole
        return np.concatenate([was[..., ~out], now], axis=-1)[..., order]

    was, new = units.slopes, made.slopes
    detector = np.array([*was.detector, None], object)[:-1]
    return Units(
        with_new(units.probe, probe),
        with_new(units.first_days, first),
        with_new(units.last_days, last),
        with_new(units.weighted, stand.votes[0][:, mine]),
        with_new(units.weights, stand.votes[1][:, mine]),
        SlopeVotes(
            with_new(was.probe, new.probe),
            with_new(detector, np.array([*new.detector, None], object)[:-1]).tolist(),
            with_new(was.probability, new.probability),
            with_new(was.log_size, new.log_size),
        ),
    )


def _hold_to_constants(whole: Whole, units: Units, settings: Settings) -> None:
    """Raises CannotGoOnError where the constants of the fleet are no longer those that it was worked out with."""
    was, before = whole.constants, whole.units
    variance = was.placing.variance
    if len(units.probe) == 0 or variance is None:
        raise CannotGoOnError
    if not np.array_equal(month_starts(float(units.first_days.min()), float(units.last_days.max())), was.placing.edges):
        raise CannotGoOnError
    halts: Sequence[int] = range(len(units.weighted))
    if units.weighted.shape == before.weighted.shape:
        other = (units.weighted != before.weighted) | (units.weights != before.weights)
        halts = np.flatnonzero(other.any(axis=1)).tolist()
    if any(placing_of([(units.weighted[halt], units.weights[halt])], settings) != variance[halt + 1] for halt in halts):
        raise CannotGoOnError
    if slope_totals([units.slopes]) != was.slope_totals:
        raise CannotGoOnError


def _used_now(before: Used, some: frozenset[str], now: Used) -> Used:
    """Which devices are read with after some probes have other readings."""
    out = {}
    for kind, of in before.items():
        out[kind] = {**of, **{one: now[kind].get(one, frozenset()) for one in some}}
        lost = {device for one in some for device in of.get(one, frozenset()) - out[kind][one]}
        if any(all(device not in devices for devices in out[kind].values()) for device in lost):
            raise CannotGoOnError
    return out


def _same_history(whole: Whole, now: Whole, stand: Standing) -> bool:
    """Whether services, and since when each probe is on record, are what they were; looked at only where they may be others."""
    if now.of_history == whole.of_history and now.first_checks == whole.first_checks:
        return True
    first = {name: now.first_checks[name] for name in sorted(now.first_checks)}
    return fleet_history(cut(stand.now, whole.as_of), first, whole.as_of) == whole.constants.history
