"""Of what was said to be so likely, how much was so: a reliability picture in bins of probability."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from analytics.replays.binomial import share_interval

EDGES = (0.0, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


@dataclass(frozen=True, slots=True)
class Bin:
    """Statements whose probability lies in [low, high); the last bin holds its upper end too."""

    low: float
    high: float
    named: int
    right: int
    mean_probability: float
    interval: tuple[float, float]  # 90 % of the share that is right

    @property
    def share(self) -> float:
        """Share that was right."""
        return self.right / self.named


@dataclass(frozen=True, slots=True)
class Reliability:
    """Bins that hold anything, in rising order, and all of them together."""

    bins: tuple[Bin, ...]
    named: int
    right: int

    @property
    def share(self) -> float | None:
        """Share right of all; None where nothing was named."""
        return self.right / self.named if self.named else None


def reliability(
    probabilities: Sequence[float], right: Sequence[bool], edges: Sequence[float] = EDGES
) -> Reliability:
    """Predicted against observed, in bins.

    probabilities: of each statement, 0 to 1. right: whether it was so. Intervals are Clopper–Pearson, 90 %. Pure: fed
    with findings on record it speaks of the user's own fleet, fed with the truth of a simulated one of the method.
    Nothing said: no bins. ValueError for unequal lengths or a probability outside 0 to 1.

    >>> said = reliability([0.85, 0.82, 0.88, 0.55], [True, True, False, True])
    >>> [(one.low, one.named, one.right) for one in said.bins], said.share
    ([(0.5, 1, 1), (0.8, 3, 2)], 0.75)
    """
    if len(probabilities) != len(right):
        raise ValueError(f"{len(probabilities)} probabilities, {len(right)} truths")
    if any(not 0.0 <= one <= 1.0 for one in probabilities):
        raise ValueError("a probability lies outside 0 to 1")
    bins = []
    for low, high in pairwise(edges):
        inside = [
            (p, r)
            for p, r in zip(probabilities, right, strict=True)
            if low <= p < high or (high == edges[-1] and p == high)
        ]
        if inside:
            hits = sum(r for _, r in inside)
            mean = sum(p for p, _ in inside) / len(inside)
            bins.append(Bin(low, high, len(inside), hits, mean, share_interval(hits, len(inside))))
    return Reliability(tuple(bins), len(right), sum(right))
