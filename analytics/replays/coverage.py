"""Did the intervals hold what they promised, and by how much would they have to be wider or narrower?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analytics.replays.binomial import effective_cases, share_interval

LEAST_DECIDED = 20  # forecasts decided below which nothing is said about being off
LEAST_DRIFTS = 5  # and different drifts they come from
GOOD_PCT = (85.0, 95.0)
LEAST_DAYS = 0.5  # an end nearer than half a day counts as half a day, so that its logarithm exists


@dataclass(frozen=True, slots=True)
class Coverage:
    """How often intervals held the day; forecasts of one drift hang together, so ``interval_pct`` counts them for less."""

    nominal_pct: float
    decided: int
    held: int
    sooner: int  # passed before the early end
    later: int  # passed after the late end, or not passed though the late end is over
    not_passed: int  # of these, not seen to pass at all
    open: int  # cannot be told yet, or never
    already_passed: int  # made after the day had come; no forecast of it, counted apart
    drifts: int  # different drifts behind the decided ones
    effective: float  # independent cases that say as much
    interval_pct: tuple[float, float] | None  # 90 %, of the coverage; None where nothing is decided

    @property
    def coverage_pct(self) -> float | None:
        """Share of the decided ones that held; None where none is."""
        return 100.0 * self.held / self.decided if self.decided else None

    @property
    def bounds_pct(self) -> tuple[float, float] | None:
        """The share if every open one came to miss, and if every one came to hold; None where there is none at all."""
        of = self.decided + self.open
        return (100.0 * self.held / of, 100.0 * (self.held + self.open) / of) if of else None

    @property
    def enough(self) -> bool:
        """Whether so much is decided that a coverage can be called off."""
        return self.decided >= LEAST_DECIDED and self.drifts >= LEAST_DRIFTS


@dataclass(frozen=True, slots=True)
class Recalibration:
    """Factor on both half-widths of the logarithm of the days ahead; stated, never applied in silence."""

    needed: bool  # the coverage is off, and enough is decided to say so
    factor: float | None  # None: not needed, or not to be had
    at_least: bool  # some days were not seen yet: the factor is a lower bound
    scored: int  # forecasts it rests on
    why: str  # one sentence


@dataclass(frozen=True, slots=True)
class Case:
    """A forecast with both ends, in days ahead of its newest check."""

    early: float
    middle: float
    late: float
    passed: float  # days ahead; where not yet passed, as far as it was followed
    seen: bool  # it was seen to pass


def cover(
    verdicts: Sequence[str],
    drifts: Sequence[int],
    passed: Sequence[bool],
    nominal_pct: float,
) -> Coverage:
    """Count verdicts.

    drifts: which drift each forecast is about. passed: it was seen to pass.

    >>> some = cover(["held", "held", "later", "open"], [1, 2, 3, 4], [True, True, False, False], 90.0)
    >>> round(some.coverage_pct, 2), some.not_passed, some.bounds_pct
    (66.67, 1, (50.0, 75.0))
    """
    decided = [(v == "held", d) for v, d in zip(verdicts, drifts, strict=True) if v in ("held", "sooner", "later")]
    held, sooner, later = (sum(v == kind for v in verdicts) for kind in ("held", "sooner", "later"))
    n = len(decided)
    effective = effective_cases([h for h, _ in decided], [d for _, d in decided])
    interval = None
    if n:
        low, high = share_interval(held / n * effective, effective)
        interval = (100.0 * low, 100.0 * high)
    return Coverage(
        nominal_pct,
        n,
        held,
        sooner,
        later,
        sum(v == "later" and not seen for v, seen in zip(verdicts, passed, strict=True)),
        sum(v == "open" for v in verdicts),
        sum(v == "already_passed" for v in verdicts),
        len({d for _, d in decided}),
        effective,
        interval,
    )


def score(case: Case) -> float:
    """By how much the half-widths of the logarithm must be stretched for the interval to hold the day just so.

    >>> round(score(Case(50.0, 100.0, 200.0, 200.0, True)), 6), score(Case(50.0, 100.0, 200.0, 100.0, True))
    (1.0, 0.0)
    """
    early, middle, late, passed = (
        math.log(max(x, LEAST_DAYS)) for x in (case.early, case.middle, case.late, case.passed)
    )
    if passed >= middle:
        return (passed - middle) / max(late - middle, 1e-9)
    return (middle - passed) / max(middle - early, 1e-9)


def recalibrate(cases: Sequence[Case], coverage: Coverage) -> Recalibration:
    """The conformal factor: the ⌈0.9 (n + 1)⌉-th smallest score of n decided forecasts.

    (Split conformal prediction, Vovk et al. 2005, Lei et al. 2018 [from memory].) It makes the intervals hold 90 % of
    forecasts like these; forecasts of one drift hang together, so with few drifts it is a hint. Off is a coverage
    outside 85–95 %; with fewer than ``LEAST_DECIDED`` decided forecasts, or fewer than ``LEAST_DRIFTS`` drifts, nothing is said.
    """
    share = coverage.coverage_pct
    low, high = GOOD_PCT
    if share is None or not coverage.enough:
        return Recalibration(
            needed=False,
            factor=None,
            at_least=False,
            scored=len(cases),
            why=f"{coverage.decided} forecasts on {coverage.drifts} drifts are decided: "
            f"{LEAST_DECIDED} on {LEAST_DRIFTS} are needed to say whether the intervals are right.",
        )
    if low <= share <= high:
        return Recalibration(
            needed=False,
            factor=None,
            at_least=False,
            scored=len(cases),
            why=f"The intervals held {share:.0f} % of {coverage.decided} decided forecasts: nothing to correct.",
        )
    ranked = sorted((score(one), not one.seen) for one in cases)
    place = math.ceil(0.9 * (len(ranked) + 1))
    if place > len(ranked):
        return Recalibration(
            needed=True, factor=None, at_least=False, scored=len(ranked), why="Too few forecasts for a factor."
        )
    factor = ranked[place - 1][0]
    bound = any(unseen for _, unseen in ranked[:place])
    what = "wider" if factor > 1.0 else "narrower"
    return Recalibration(
        needed=True,
        factor=factor,
        at_least=bound,
        scored=len(ranked),
        why=f"The intervals held {share:.0f} % of {coverage.decided} decided forecasts instead of 90 %: on this history "
        f"their half-widths, on the logarithm of the days ahead, would have to be {'at least ' if bound else ''}"
        f"{factor:.2f} times as large ({what}).",
    )
