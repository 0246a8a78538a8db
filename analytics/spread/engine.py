"""The whole answer worked out part by part, to the same last digit as in one piece.

The pass forward in time needs the fleet's placing spread at each month start, which is made of what all parts have seen by
then, which in turn depends on the fleet's placing of the months before. So the parts go round: each works with the table of
the last round and says what it saw, the votes are taken together in the very way one process takes them, and the round ends
when the table comes back the same to the last digit. A month is right once the months before it are, so that there is an
end; and the next table depends so little on the last that few rounds are needed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, Protocol

import numpy as np

from analytics.advice.probe_history import fleet_history
from analytics.baseline.forward import Votes, month_starts
from analytics.baseline.noise import FleetPlacing, fleet_variance
from analytics.baseline.rows import Floats
from analytics.cut import cut
from analytics.drift.slopes import coarse
from analytics.fleet import FleetConstants
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment
from analytics.settings import Settings
from analytics.spread.merge import merged
from analytics.spread.partition import split
from analytics.spread.stages import (
    PlacingVotes,
    SlopeVotes,
    charted,
    finish,
    placing_votes,
    prepare,
    slopes,
    span,
    walked,
)

SPARE_ROUNDS = 2


class Mapper(Protocol):
    """Applies a function to every item somewhere; what ``map`` returns may be handed to ``map`` again, and gathered."""

    def map(self, function: Callable[..., Any], items: Sequence[Any], *same: Any) -> Sequence[Any]:
        """``function(item, *same)`` for every item."""
        ...

    def gather(self, results: Sequence[Any]) -> list[Any]:
        """The results themselves."""
        ...


class OneProcess:
    """A part after the other, here."""

    def map(self, function: Callable[..., Any], items: Sequence[Any], *same: Any) -> Sequence[Any]:
        """At once."""
        return [function(one, *same) for one in items]

    def gather(self, results: Sequence[Any]) -> list[Any]:
        """As they are."""
        return list(results)


def assess_in_parts(
    records: Records, settings: Settings, as_of: datetime, parts: int, mapper: Mapper
) -> FleetAssessment:
    """What ``fleet.assess`` answers, from at most so many parts.

    Raises RuntimeError where the fleet's placing has not come to rest after as many rounds as there are months; that would be
    a fault of this program, and no answer is better than a near one.
    """
    prepared = mapper.map(prepare, split(records, parts), settings, as_of)
    spans = mapper.gather(mapper.map(span, prepared))
    spoken = [one.days for one in spans if one.days is not None]
    ends = (min(first for first, _ in spoken), max(last for _, last in spoken)) if spoken else (0.0, 0.0)
    placing, made = settled_placing(prepared, settings, month_starts(*ends), mapper)
    del prepared
    made = mapper.map(charted, made, settings)
    first: dict[str, float] = {}
    for one in spans:
        first |= one.first_checks
    constants = FleetConstants(
        placing,
        slope_totals(mapper.gather(mapper.map(slopes, made))),
        fleet_history(cut(records, as_of), {name: first[name] for name in sorted(first)}, as_of),
    )
    return merged(mapper.gather(mapper.map(finish, made, settings, as_of, constants)))


def settled_placing(
    prepared: Sequence[Any], settings: Settings, edges: Floats, mapper: Mapper
) -> tuple[FleetPlacing, Sequence[Any]]:
    """The fleet's placing at every month start, the same in as out, and the parts walked with it."""
    placing = FleetPlacing(edges, None)
    for _ in range(len(edges) + SPARE_ROUNDS):
        made = mapper.map(walked, prepared, settings, placing)
        votes = mapper.gather(mapper.map(placing_votes, made))
        seen = taken_together(votes, len(edges), settings)
        if placing.variance is not None and np.array_equal(seen, placing.variance):
            return placing, made
        placing = FleetPlacing(edges, seen)
    raise RuntimeError(f"the fleet's placing did not come to rest in {len(edges) + SPARE_ROUNDS} rounds")


def taken_together(votes: Sequence[PlacingVotes], months: int, settings: Settings) -> Floats:
    """The fleet's placing at every month start, from what the parts say of it."""
    out = np.full(months, (settings.noise.repositioning_pct / 100.0) ** 2)
    spoken = [one for one in votes if one]  # a part without a response says nothing
    for month in range(1, months) if spoken else ():
        out[month] = placing_of([one[month - 1] for one in spoken], settings)
    return out


def placing_of(votes: Sequence[Votes], settings: Settings) -> float:
    """The fleet's placing at one month start."""
    weighted, weights = (np.concatenate([one[which] for one in votes]) for which in (0, 1))
    prior = (settings.noise.repositioning_pct / 100.0) ** 2
    return fleet_variance(weighted, weights, prior, float(settings.noise.repositioning_prior_checks))


def slope_totals(votes: list[SlopeVotes]) -> dict[str | None, tuple[float, float]]:
    """Σ P and Σ P ln|slope| by kind of detector, added up in the order of the probes as one process does."""
    order = np.argsort(np.concatenate([one.probe for one in votes]), kind="stable")
    detector = [one for part in votes for one in part.detector]
    kinds = sorted(set(detector), key=lambda one: (one is not None, one or ""))
    number = {one: place for place, one in enumerate(kinds)}
    code = np.array([number[detector[place]] for place in order], np.int64)
    p, mean = (np.concatenate([getattr(one, name) for one in votes])[order] for name in ("probability", "log_size"))
    some, total = (coarse(np.asarray(np.bincount(code, one, len(kinds)), float)) for one in (p, p * mean))
    return {one: (float(some[place]), float(total[place])) for one, place in number.items()}
