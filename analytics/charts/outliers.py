"""A check far from its neighbours is a blunder until the next one confirms it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints, Rows
from analytics.charts.thresholds import FAR

CONFIRMS = 2.5  # standard deviations, same side, at the next check that make two of it
ALIKE = 0.4  # least ratio of the smaller to the larger deviation of two that confirm each other
LOOK_BACK = 5  # checks whose median is the local level
LEAST_FOR_LEVEL = 3  # of these, before there is one


@dataclass(frozen=True)
class Outliers:
    """Arrays per row."""

    z_local: Floats  # against the median of the checks before; NaN for the first three of a unit
    level: Floats  # that median
    level_variance: Floats
    pending: Bools  # far off and not confirmed when it came
    admitted: Bools  # speaks in the charts, from its own moment or from that of the check that confirmed it
    lone: Bools  # far off and, as far as is known, never confirmed


def find_outliers(
    rows: Rows, x: Floats, noise: Floats, persistent: Floats, placements: Floats | None = None,
) -> Outliers:
    """Standardise each row against the median of the five checks before it, and mark what stands alone.

    Two in a row on the same side, alike in size, one beyond 4 and the other beyond 2.5 standard deviations, are not
    blunders: both are admitted, the first from the moment of the second. The first five checks of a unit have nothing
    before them; once there are five, they are held against their own median. A reseated repeat within the check, alike and
    on the same side, confirms it as the next check would. placements: how often the probe was placed, per row (default once).
    """
    last = rows.last_rows
    number = rows.number  # check number of each row, over all units
    ordinal = rows.ordinal[last]
    xs, vs = x[last], noise[last]
    before_x, before_v = np.full((LOOK_BACK, len(last)), np.nan), np.full((LOOK_BACK, len(last)), np.nan)
    for k in range(1, LOOK_BACK + 1):
        has = np.flatnonzero(ordinal >= k)
        before_x[k - 1, has], before_v[k - 1, has] = xs[has - k], vs[has - k]
    count = np.minimum(ordinal, LOOK_BACK)
    ordered = np.sort(before_x, axis=0)
    column = np.arange(len(last))
    level = 0.5 * (
        ordered[np.maximum((count - 1) // 2, 0), column] + ordered[np.minimum(count // 2, LOOK_BACK - 1), column]
    )
    typical = np.sort(before_v, axis=0)[np.maximum((count - 1) // 2, 0), column]
    level = np.where(count >= LEAST_FOR_LEVEL, level, np.nan)
    level_variance = np.where(count >= LEAST_FOR_LEVEL, 0.5 * np.pi * typical / np.maximum(count, 1), np.nan)
    level_row, level_var_row = level[number], level_variance[number]
    spread = np.sqrt(noise + persistent + level_var_row)
    z = (x - level_row) / spread
    zc = z[last]
    zc = _with_first_five(rows, last, ordinal, xs, vs, zc)
    off = zc * np.sqrt(vs)
    big, some = np.abs(zc) > FAR, np.abs(zc) > CONFIRMS
    same = np.zeros(len(last), bool)
    if len(last):
        same[1:] = (np.sign(zc[1:]) == np.sign(zc[:-1])) & (ordinal[1:] > 0) & _alike(off[1:], off[:-1])
    by_previous = np.zeros(len(last), bool)
    by_next = np.zeros(len(last), bool)
    by_previous[1:] = big[1:] & same[1:] & some[:-1]
    by_next[:-1] = big[:-1] & same[1:] & some[1:]
    previous_some = np.zeros(len(last), bool)
    previous_off = np.zeros(len(last))
    previous_some[1:], previous_off[1:] = some[:-1] & (ordinal[1:] > 0), off[:-1]
    repeated = _confirmed_by_repeat(rows, z * spread, z, placements, number)
    far_row = np.abs(z) > FAR
    row_off, before = z * np.sqrt(noise), previous_off[number]
    pending = far_row & ~(previous_some[number] & (np.sign(row_off) == np.sign(before)) & _alike(row_off, before)) & ~repeated
    by_repeat = repeated[last] & big
    admitted = ~big | by_previous | by_next | by_repeat
    lone = big & ~by_previous & ~by_next & ~by_repeat
    return Outliers(z, level_row, level_var_row, pending, admitted[number], lone[number])


def far_from_the_first(rows: Rows, unit: int, x: Floats, noise: Floats, least: float) -> bool:
    """Whether the second or third check of a unit lies far from every one before it, too early to say which of them is wrong.

    least: natural log by which it must differ; below ``FAR`` standard deviations nothing is said. False for any other check.
    """
    part = np.arange(int(rows.unit_first[unit]), int(rows.unit_first[unit + 1]))
    if len(part) == 0 or not 0 < int(rows.ordinal[part[-1]]) < LEAST_FOR_LEVEL:
        return False
    checks = part[rows.last[part]]
    newest, before = checks[-1], checks[:-1]
    apart = np.abs(x[newest] - x[before])
    return bool((apart > np.maximum(FAR * np.sqrt(noise[newest] + noise[before]), least)).all())


def _confirmed_by_repeat(rows: Rows, off: Floats, z: Floats, placements: Floats | None, number: Ints) -> Bools:
    """Rows far off whose check was placed again, the first placing and what the others add lying off alike."""
    if placements is None or len(off) == 0:
        return np.zeros(len(off), bool)
    first = np.flatnonzero(rows.first)[number]
    n = np.maximum(placements, 1.0)
    # The mean of n placings is off; take the first one out to see what the others say.
    rest = np.where(n > 1, (n * off - off[first]) / np.maximum(n - 1.0, 1.0), 0.0)
    alike = _alike(off[first], rest) & (np.sign(off[first]) == np.sign(rest))
    return np.asarray((n > 1) & (placements[first] == 1) & (np.abs(z) > FAR) & (np.abs(z[first]) > CONFIRMS) & alike)


def _alike(one: Floats, other: Floats) -> Bools:
    small, large = np.minimum(np.abs(one), np.abs(other)), np.maximum(np.abs(one), np.abs(other))
    return np.asarray(small >= ALIKE * large)


def _with_first_five(rows: Rows, last: Ints, ordinal: Ints, xs: Floats, vs: Floats, zc: Floats) -> Floats:
    """Z of the first five checks against their own median, for units that have five; the others as given."""
    early = np.flatnonzero(ordinal < LOOK_BACK)
    table = np.full((rows.units, LOOK_BACK), np.nan)
    table_v = np.full((rows.units, LOOK_BACK), np.nan)
    unit = rows.unit[last]
    table[unit[early], ordinal[early]], table_v[unit[early], ordinal[early]] = xs[early], vs[early]
    full = np.isfinite(table).all(axis=1)
    middle, spread = np.median(table[full], axis=1), np.median(table_v[full], axis=1)
    centre, extra = np.full(rows.units, np.nan), np.full(rows.units, np.nan)
    centre[full], extra[full] = middle, spread * (1.0 + 0.5 * np.pi / LOOK_BACK)
    out = zc.copy()
    first = early[full[unit[early]]]
    out[first] = (xs[first] - centre[unit[first]]) / np.sqrt(extra[unit[first]])
    return out
