"""Charts of quantities read now and then, where one reading may tell: background, window shift, width, side.

Each reading is held against the robust centre of the first readings of its unit (at most ``reference_readings``, only
earlier ones), with its own variance, the spread the unit has shown so far and the centre's uncertainty:

    z = (value − centre) / √(v + s² + s_centre²),   threshold from Student's t at the run length the budget allows.

A signal also needs an effect of at least ``least_effect``: a change may be sure and still not matter.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints
from analytics.charts.thresholds import PRIOR_FREEDOM, freedom_of, t_limit

STILL_HIGH = 2.5  # standard deviations
BEARS_ONE_BAD = 3  # readings whose median one bad reading does not move


@dataclass(frozen=True)
class LevelChart:
    """Arrays per row."""

    z: Floats  # NaN for the first reading of a unit
    centre: Floats
    centre_sd: Floats
    spread: Floats  # √(v + s² + s_centre²)
    ratio: Floats  # above 1 signals; sign(z) is the direction
    ordinal: Ints
    reference_readings: Ints


def unit_starts(unit: Ints) -> Ints:
    """First row of each unit, for rows sorted by unit."""
    return np.flatnonzero(np.append(True, np.diff(unit) != 0)) if len(unit) else np.zeros(0, np.int64)


def level_chart(
    unit: Ints, value: Floats, variance: Floats, *, prior_spread: float, reference_readings: int, arl0: Floats,
    least_effect: Floats, relative: bool = False, sides: tuple[int, ...] = (-1, 1), least_ratio: float | None = None,
    pairs: bool = False,
) -> LevelChart:
    """Run the chart over rows sorted by (unit, time); all finite.

    variance: of each value by counting. prior_spread: standard deviation beyond counting assumed before any is seen.
    relative: the prior is a share of the unit's own centre. A constant unit keeps the prior share of its spread, so it does not divide by zero.
    least_ratio: a signal also needs a value of so many times the centre; a reading that signalled then stays out of the
    reference, once three readings bear one bad one, or a fault that begins while the reference forms would become it.
    pairs: two readings in a row signal together as well (``_by_pairs``), for quantities that are read seldom.
    """

    def run(rows: Ints, admitted: Bools) -> LevelChart:
        made = _held_against(
            unit[rows], value[rows], variance[rows], admitted, prior_spread, reference_readings, arl0[rows],
            least_effect[rows], relative, sides, least_ratio,
        )
        if pairs:
            made.ratio[:] = np.maximum(made.ratio, _by_pairs(made, value[rows], variance[rows], arl0[rows], least_ratio or 0.0))
        return made

    rows, admitted = np.arange(len(unit)), np.ones(len(unit), bool)
    chart = run(rows, admitted)
    while least_ratio is not None:
        # The first to signal in each unit had only sound readings before it; without it the next one is right, and so on.
        forming = (chart.reference_readings >= BEARS_ONE_BAD) & (chart.reference_readings < reference_readings)
        high = chart.ratio > 1.0
        if pairs:
            # Behind one that was left out a reading that is still high is of the same fault.
            high[1:] |= ~admitted[:-1] & (chart.ordinal[1:] > chart.ordinal[:-1]) & (chart.z[1:] > STILL_HIGH)
        tips = np.flatnonzero(high & admitted & forming)
        if len(tips) == 0:
            break
        again, first = np.unique(unit[tips], return_index=True)
        admitted[tips[first]] = False
        if pairs:
            together = (chart.ratio > 1.0) & ~_alone(chart, arl0, len(sides))
            admitted[tips[first][together[tips[first]]] - 1] = False  # it took the one before to signal
        rows = np.flatnonzero(np.isin(unit, again))
        part = run(rows, admitted[rows])
        for one in fields(chart):
            getattr(chart, one.name)[rows] = getattr(part, one.name)
    return chart


def _alone(chart: LevelChart, arl0: Floats, sides: int) -> Bools:
    """Rows beyond the limit of a single reading."""
    return np.asarray(np.abs(chart.z) > t_limit(arl0, freedom_of(chart.reference_readings), sides))


def _by_pairs(chart: LevelChart, value: Floats, variance: Floats, arl0: Floats, least_ratio: float) -> Floats:
    """Ratio of each row and the one before it together, against the reference before both; upwards only.

    A reading that is high without signalling goes into a reference that is still forming, and hides the next one there. The
    mean of both has half the spread of one about the same centre. Both must matter by themselves.
    """
    out = np.zeros(len(value))
    if len(value) < 2:
        return out
    centre, own = chart.centre[:-1], chart.centre_sd[:-1] ** 2
    extra = np.maximum(chart.spread[:-1] ** 2 - variance[:-1] - own, 0.0)
    spread = np.sqrt(0.25 * (variance[:-1] + variance[1:]) + 0.5 * extra + own)
    both = (chart.ordinal[1:] > chart.ordinal[:-1]) & (np.minimum(value[:-1], value[1:]) >= least_ratio * centre)
    z = (0.5 * (value[:-1] + value[1:]) - centre) / spread
    limit = t_limit(arl0[1:], freedom_of(chart.reference_readings[:-1]), 1)
    known = both & (z > 0) & np.isfinite(z) & (chart.reference_readings[:-1] >= BEARS_ONE_BAD)
    out[1:][known] = (z / limit)[known]
    return out


def _held_against(
    unit: Ints, value: Floats, variance: Floats, admitted: Bools, prior_spread: float, reference_readings: int,
    arl0: Floats, least_effect: Floats, relative: bool, sides: tuple[int, ...], least_ratio: float | None,
) -> LevelChart:
    """Every row against the admitted rows of its unit before it."""
    n = len(unit)
    starts = unit_starts(unit)
    lengths = np.diff(np.append(starts, n))
    number = np.repeat(np.arange(len(starts)), lengths)
    ordinal = np.arange(n) - starts[number] if n else np.zeros(0, np.int64)
    before: Ints = np.cumsum(admitted) - admitted
    rank = before - before[starts][number] if n else ordinal  # admitted rows of the unit before each
    centre, centre_var, extra = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    most = min(reference_readings, int(lengths.max(initial=0)))
    table = np.full((reference_readings, len(starts)), np.nan)
    table_v = np.full((reference_readings, len(starts)), np.nan)
    early = admitted & (rank < reference_readings)
    table[rank[early], number[early]] = value[early]
    table_v[rank[early], number[early]] = variance[early]
    for k in range(1, most + 1):
        # Rows whose reference are the first k readings of their unit.
        mine = (rank == k) if k < reference_readings else (rank >= k)
        if not mine.any():
            continue
        units = np.unique(number[mine])
        first = table[:k, units]
        ordered = np.sort(first, axis=0)
        middle = 0.5 * (ordered[(k - 1) // 2] + ordered[k // 2])
        deviation = np.sort(np.abs(first - middle), axis=0)
        mad = 1.4826 * 0.5 * (deviation[(k - 1) // 2] + deviation[k // 2]) if k > 2 else np.zeros(len(units))
        counting = np.zeros(len(units))
        for row in table_v[:k, units]:
            counting = counting + row / k
        own = np.maximum(mad**2 - counting, 0.0)
        weight = max(k - 1, 0)
        prior = prior_spread * np.abs(middle) if relative else np.full(len(units), prior_spread)
        s2 = (weight * own + PRIOR_FREEDOM * prior**2) / (weight + PRIOR_FREEDOM)
        back = np.full(len(starts), 0)
        back[units] = np.arange(len(units))
        place = back[number[mine]]
        efficiency = 1.0 if k <= 2 else 0.5 * np.pi
        centre[mine], extra[mine] = middle[place], s2[place]
        centre_var[mine] = (efficiency * (counting + s2) / k)[place]
    spread = np.sqrt(variance + extra + centre_var)
    z = (value - centre) / spread
    freedom = freedom_of(np.minimum(rank, reference_readings))
    limit = t_limit(arl0, freedom, len(sides))
    sided = np.zeros(n, bool)
    for side in sides:
        sided |= np.sign(z) == side
    matters: Bools = np.abs(value - centre) >= least_effect
    if least_ratio is not None:
        matters = matters & (value >= least_ratio * centre)
    ratio = np.where(np.isfinite(z) & sided & matters, np.abs(z) / limit, 0.0)
    return LevelChart(z, centre, np.sqrt(centre_var), spread, ratio, ordinal, np.minimum(rank, reference_readings))
