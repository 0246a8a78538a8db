"""How far repeated placing spreads a probe's readings beyond counting statistics."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FLOOR = 0.002**2  # no jig places a probe better than this (common practice, no source)
CLIP = 2.5  # a difference beyond this many standard deviations tells of a blunder, not of placing
# E[min(z², c²)] for z ~ N(0, 1), c = 2.5: what clipping takes from the variance of clean data.
CLIPPED_MEAN = 0.9775600


@dataclass(frozen=True)
class FleetPlacing:
    """The fleet's s² at every month start of a pass, for a part of the fleet that cannot work it out by itself.

    edges: [months + 1] days since 1970, as of the whole fleet. variance: [months + 1], the last one that of the end; the first
    is not asked for. None: not known yet, each part takes its own.
    """

    edges: Floats
    variance: Floats | None


def fleet_variance(weighted: Floats, weights: Floats, prior: float, prior_checks: float) -> float:
    """The fleet's s² from the sums of its units (``PlacingSpread``), in any order; the prior where no unit knows its own.

    Units with a weight of five or more know theirs. To three digits, far more than it is known to:
    parts of a fleet that ask each other for it then agree within a few rounds.
    """
    some = weights > 0
    weights = weights[some]
    own = weighted[some] / weights
    own = np.maximum(own[weights >= 5], FLOOR)
    if len(own) == 0:
        return prior
    # Exactly, so that units yet to come, with no weight, do not change the last digit by regrouping the sum.
    total = math.fsum(weights)
    share = total / (total + 10.0 * prior_checks)
    # Median over units, so that a few wild units do not set it.
    return float(f"{share * float(np.median(own)) + (1.0 - share) * prior:.3g}")


@dataclass
class PlacingSpread:
    """Running estimate per unit from differences of successive checks; arrays of length units.

    A difference of two neighbours has variance v₁ + v₂ + 2 s², whatever slow drift lies below it. The sums stop growing
    once a unit has ``most`` differences: the spread belongs to the reference period, and a cable that begins to cut out
    must not widen its own limits.
    """

    weighted: Floats  # Σ q · (d²/2 − v̄)
    weights: Floats  # Σ q
    differences: Floats

    @classmethod
    def empty(cls, units: int) -> PlacingSpread:
        """No differences yet."""
        return cls(np.zeros(units), np.zeros(units), np.zeros(units))

    @classmethod
    def standing(cls, votes: tuple[Floats, Floats], added: Sequence[Ints], most: int) -> PlacingSpread:
        """As it stood when it gave these votes.

        added: unit of every difference that had been handed to ``add`` by then, one entry a call; most: as there.
        """
        out = cls(votes[0].copy(), votes[1].copy(), np.zeros(len(votes[0])))
        for unit in added:
            np.add.at(out.differences, unit[out.differences[unit] < most], 1.0)
        return out

    def votes(self) -> tuple[Floats, Floats]:
        """What the fleet's s² is made of: both sums of every unit as they are now."""
        return self.weighted.copy(), self.weights.copy()

    def estimate(self, prior: float, prior_checks: float, fleet: float | None = None) -> tuple[Floats, float]:
        """s² per unit, shrunk to the fleet's; and the fleet's own s².

        prior: s² before the fleet is known. prior_checks: weight of the fleet against a unit's own differences.
        fleet: the fleet's s² where these units are a part of it; None: they are all of it. With none at all: the prior.
        """
        if fleet is None:
            fleet = fleet_variance(self.weighted, self.weights, prior, prior_checks)
        shrunk = (self.weighted + prior_checks * fleet) / (self.weights + prior_checks)
        return np.maximum(shrunk, FLOOR), fleet

    def add(self, unit: Ints, difference: Floats, counting_variance: Floats, now: Floats, most: int) -> None:
        """Take in differences of successive checks.

        difference: x₂ − x₁; counting_variance: v₁ + v₂ without placing; now: s² in force for each, for the clipping.
        """
        room = self.differences[unit] < most
        unit, difference = unit[room], difference[room]
        counting_variance, now = counting_variance[room], now[room]
        expected = counting_variance + 2.0 * now
        square = np.minimum(difference**2, CLIP**2 * expected) / CLIPPED_MEAN
        # Where counting dominates a difference says little about placing: it weighs as its information does.
        q = (2.0 * now / expected) ** 2
        np.add.at(self.weighted, unit, 0.5 * q * (square - counting_variance))
        np.add.at(self.weights, unit, q)
        np.add.at(self.differences, unit, 1.0)
