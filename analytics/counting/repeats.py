"""Do repeats of one placement scatter as chance has it? Chi-square on raw counts of equal times.

χ² = Σ(N − mean)²/mean, summed over the placements of a check, with Σ(n − 1) degrees of freedom. Within a placement
only countings as long as its first one take part; displayed rates never do (they are not counts).

Dead time makes raw counts vary less than chance: by (1 − mτ)² for a non-paralysable probe, which is (1 − loss)². At a
loss of 10 % sound repeats read 0.81 a degree of freedom, so hold χ²/(1 − loss)² against the limits.
"""

from __future__ import annotations

import numpy as np

from analytics.counting.arrays import Codes, Floats, ratio, starts_of
from analytics.counting.columns import SOURCE, Countings
from analytics.counting.subchecks import SubChecks


def repeat_chi_square(countings: Countings, subs: SubChecks) -> tuple[Floats, Codes]:
    """(χ², degrees of freedom) of every sub-check; NaN and 0 where there are no two comparable repeats."""
    part = (countings.measurement[subs.rows] == SOURCE) & ~countings.derived[subs.rows]
    rows, sub = subs.rows[part], subs.of_row[part]
    nothing = np.full(len(subs), np.nan), np.zeros(len(subs), np.int32)
    if len(rows) == 0:
        return nothing
    fresh = np.zeros(len(rows), bool)
    fresh[starts_of(sub)] = True
    fresh |= countings.reseated[rows]
    placement = np.cumsum(fresh) - 1
    first = np.flatnonzero(fresh)
    time_s, counts = countings.count_time_s[rows], countings.counts[rows]
    alike = time_s == time_s[first][placement]
    placement, counts = placement[alike], counts[alike]
    number = len(first)
    n = np.bincount(placement, minlength=number).astype(np.float64)
    mean = np.bincount(placement, weights=counts, minlength=number) / n
    squares = np.bincount(placement, weights=(counts - mean[placement]) ** 2, minlength=number)
    term = ratio(squares.astype(np.float64), mean)
    counted = (n > 1) & ~np.isnan(term)
    owner = sub[first][counted]
    value = np.bincount(owner, weights=term[counted], minlength=len(subs))
    dof = np.bincount(owner, weights=n[counted] - 1.0, minlength=len(subs)).astype(np.int32)
    return np.where(dof > 0, value, np.nan), dof
