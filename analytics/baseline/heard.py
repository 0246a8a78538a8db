"""What the neighbours say that is shared at an instant: over how long they are heard, and on whose control unit.

A shared movement may be a knock (a jig, a control unit) or slow (a source). The neighbours' mean over the whole window is
the surest where nothing jumped and lags behind where something did, so the window is shortened step by step, and only
where what is left of it plainly differs from what is cut off (Lepski's rule of the longest window not contradicted).
A probe's own level cancels in the difference of its own readings, so the test is sharp even with few neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.heard_core import hear
from analytics.baseline.neighbours import Timelines
from analytics.baseline.rows import Bools, Floats, Ints
from analytics.baseline.slope_core import slopes
from analytics.compiled import on_all_cores

WINDOW_SHARES = (1.0, 0.6, 0.3, 0.1)  # of the window of the settings, the longest first
SLOPE_SHARES = (2.0, 1.0, 0.3)
STEEP_ALIKE = 1.7


@dataclass(frozen=True)
class Known:
    """What is known of every unit; arrays [units]."""

    anchor: Floats  # level it is held against
    anchor_var: Floats
    placing: Floats


@dataclass(frozen=True)
class Queries:
    """Who asks, when, and on what; arrays [queries] of codes, −1 for none."""

    source: Ints
    at_days: Floats
    probe: Ints
    jig: Ints
    readout: Ints


@dataclass(frozen=True)
class Said:
    """Arrays [queries]; nobody there: NaN, infinite variance, 0 speakers."""

    value: Floats
    variance: Floats
    lasting_share: Floats  # part of the variance that more checks do not average away
    speakers: Ints


def steep_slopes(
    lines: Timelines, at_days: float, known: Known, ready: Bools, unit_probe: Ints, window_days: float, least_probes: int
) -> Floats:
    """Slope of each source beyond its stated decay, a day, where it is plain and steep (a wrong nuclide); else 0.

    From the last two windows up to ``at_days``, or, where checks are rarer, from windows three times as long. A slope is
    the same between the two windows as within the newer one, to a factor of 1.7, which a knock is not. ready: [units] that
    may speak.
    """
    found = np.zeros(len(lines.source_first) - 1)
    for scale in (3.0, 1.0):
        windows = np.array([share * scale * window_days for share in SLOPE_SHARES])
        between, within = slopes(lines, at_days, ready, unit_probe, known.placing, windows, least_probes)
        ratio = between / within
        found = np.where((ratio < STEEP_ALIKE) & (ratio > 1.0 / STEEP_ALIKE), 0.5 * (between + within), found)
    return found


def what_is_shared(
    lines: Timelines, asked: Queries, slope: Floats, known: Known, ready: Bools, unit_probe: Ints, window_days: float, least_probes: int
) -> Said:
    """Robust centre of the neighbours' movements away from their own levels, for every query.

    Neighbours are other probes with readings of a ready unit on the source in the window, each with the unit that is surest of
    its movement (one in the same jig where there is one): a probe read in two windows is one witness and not two. Those in the same jig where at
    least ``least_probes`` − 1 are, else all. Fewer than that in both parts of a window: it is not shortened.
    slope: [sources], by which means are carried to the moment of the query.

    Where a control unit is recorded, those on the same one weigh by how plainly they left the others: with g the gap between
    the two groups and v its variance, max(0, 1 − 1.5 v/g²) (James and Stein's shrinkage): nothing where the groups agree, all
    where a unit moved and took its probes along. Fewer than ``least_probes`` − 1 on either: all are heard alike.
    """
    facts = np.stack([known.anchor, known.anchor_var, known.placing])
    windows = np.array([share * window_days for share in WINDOW_SHARES])
    # One source after the other: its timelines then stay at hand for all that ask of it. Each answer stands alone, so that
    # it does not matter how many cores share them.
    by_source = np.argsort(asked.source, kind="stable")

    def part(some: slice) -> tuple[Floats, Floats, Floats, Ints]:
        mine = by_source[some]
        return hear(
            lines, asked.source[mine], asked.at_days[mine], asked.probe[mine], asked.jig[mine], asked.readout[mine], slope,
            unit_probe, ready, facts, windows, least_probes - 1,
        )

    value, variance, share, speakers = (np.concatenate(one) for one in zip(*on_all_cores(part, len(by_source)), strict=True))
    back = np.empty(len(by_source), np.int64)
    back[by_source] = np.arange(len(by_source))
    return Said(value[back], variance[back], share[back], speakers[back])
