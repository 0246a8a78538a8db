"""The slope of each source beyond its stated decay, as compiled loops; ``heard.steep_slopes`` says what it is for.

``upto`` and ``inside`` stand in ``heard_core`` too: compiled code is kept by file, and may call none of another one (``compiled``).
"""

from __future__ import annotations

import numpy as np

from analytics.baseline.heard_core import centres
from analytics.baseline.neighbours import Timelines
from analytics.baseline.rows import Bools, Floats, Ints
from analytics.compiled import compiled

STEEP_PER_DAY, STEEP_Z = 0.3 / 365.0, 5.0  # a source whose record is grossly wrong: its slope is followed


@compiled
def upto(at_days: Floats, low: int, high: int, at: float) -> int:
    """First row of the slice [low, high) that is later than ``at``."""
    while low < high:
        middle = (low + high) // 2
        if at_days[middle] <= at:
            low = middle + 1
        else:
            high = middle
    return low


@compiled
def inside(sums: Floats, which: int, begin: int, low: int, high: int) -> float:
    """Running sum between two rows of a timeline."""
    return float(sums[high - 1, which] - (sums[low - 1, which] if low > begin else 0.0))


@compiled
def window_means(
    offset: Ints, at_days: Floats, sums: Floats, base: Floats, pair_from: Floats, pair: int, at: float, windows: Floats,
    views: Floats,
) -> None:
    """Checks, mean, variance and mean day of one timeline in each window up to ``at``, into views[:, window].

    sums: [rows, 4] running number, log response, variance, days.
    """
    begin = offset[pair]
    high = upto(at_days, begin, offset[pair + 1], at)
    low = begin
    for w in range(len(windows)):
        low = upto(at_days, low, high, at - windows[w])
        views[0, w], views[1, w], views[2, w], views[3, w] = 0.0, np.nan, np.nan, np.nan
        if high == begin:
            continue
        n = np.rint(inside(sums, 0, begin, low, high))
        if n <= 0:
            continue
        when = inside(sums, 3, begin, low, high) / n + pair_from[pair]
        mean = inside(sums, 1, begin, low, high) / n + base[pair]
        views[0, w], views[1, w], views[3, w] = n, mean, when
        views[2, w] = max(inside(sums, 2, begin, low, high), 0.0) / n


@compiled
def votes(lines: Timelines, at: float, ready: Bools, unit_probe: Ints, placing: Floats, windows: Floats) -> tuple[Floats, Floats, Ints]:
    """What each unit says of its source: slope and variance [2, sources, most units of one source], NaN for nothing.

    And how many probes were read in both parts, [2, sources]. A probe is one witness, however many windows it is read in: the
    unit that is surer of its slope speaks.
    """
    sources, most = len(lines.source_first) - 1, lines.most
    slope, variance = np.full((2, sources, most), np.nan), np.full((2, sources, most), np.nan)
    both, views = np.zeros((2, sources), np.int64), np.empty((4, len(windows)))
    spoke = np.empty(2, np.int64)  # pair that spoke last
    for source in range(sources):
        first = lines.source_first[source]
        spoke[:] = -1
        for pair in range(first, lines.source_first[source + 1]):
            unit = lines.pair_unit[pair]
            if not ready[unit] or lines.pair_from[pair] > at or lines.pair_to[pair] <= at - windows[0]:
                continue
            window_means(lines.offset, lines.at_days, lines.sums, lines.base, lines.pair_from, pair, at, windows, views)
            for which in range(2):
                wide, late = views[0, which], views[0, which + 1]
                older = np.rint(wide - late)
                if late <= 0 or older <= 0:
                    continue
                last = spoke[which]
                again = last >= 0 and unit_probe[lines.pair_unit[last]] == unit_probe[unit]
                both[which, source] += not again
                apart = views[3, which + 1] - (wide * views[3, which] - late * views[3, which + 1]) / older
                if apart <= 0:
                    continue
                shift = views[1, which + 1] - (wide * views[1, which] - late * views[1, which + 1]) / older
                error = (views[2, which + 1] + placing[unit]) / max(late, 1.0) + (views[2, which] + placing[unit]) / older
                if again and not error / apart**2 < variance[which, source, last - first]:
                    continue
                if again:
                    slope[which, source, last - first] = variance[which, source, last - first] = np.nan
                slope[which, source, pair - first] = shift / apart
                variance[which, source, pair - first] = error / apart**2
                spoke[which] = pair
    return slope, variance, both


def slopes(
    lines: Timelines, at: float, ready: Bools, unit_probe: Ints, placing: Floats, windows: Floats, least: int
) -> Floats:
    """Common slope of each source, a day, between its two older windows and within its newer one: [2, sources]; NaN: not plain and steep.

    windows: three, days, the longest first. ready, unit_probe, placing: [units].
    """
    slope, variance, both = votes(lines, at, ready, unit_probe, placing, windows)
    value, doubt = (part.reshape(both.shape) for part in centres(slope.reshape(both.size, -1), variance.reshape(both.size, -1))[:2])
    plain = (both >= least) & (np.abs(value) > STEEP_Z * np.sqrt(doubt)) & (np.abs(value) > STEEP_PER_DAY)
    return np.where(plain, value, np.nan)
