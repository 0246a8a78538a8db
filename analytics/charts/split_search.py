"""The search for the best split of every row, as a compiled loop; ``core`` says what is computed and why."""

from __future__ import annotations

import numpy as np

from analytics.baseline.rows import Floats, Ints
from analytics.compiled import compiled

LEAST_AFTER = 1  # checks after a split, where the caller asks for no more
LEAST_BEFORE = 4  # checks before a split
LOW, HIGH = 0, 1  # sides


@compiled
def search(
    unit_first: Ints, distances: Ints, sums: Floats, reference: Floats, reference_variance: Floats, bridge: Floats, sizes: Floats,
    dead_band: float, least_after: int, ratio: Floats, change: Floats, where: Ints, by_reference: Ints,
) -> None:
    """Best split of every row against all before it and against the reference, on each side.

    unit_first: [units + 1]. sums: [4, rows] what was known up to each row: Σ 1/v, Σ x/v, checks, Σ 1/v on the present source.
    reference (as x, NaN where none), its variance, bridge: [rows]. sizes: [side, 2 sizes, rows] A and B of each size in turn.
    least_after: checks after a split.
    ratio, change, where, by_reference: [2, rows], given as zeros and filled in; ``where`` is the distance to the split.
    """
    weight, weighted, checks, run_weight = sums[0], sums[1], sums[2], sums[3]
    for unit in range(len(unit_first) - 1):
        begin = unit_first[unit]
        for row in range(begin + 1, unit_first[unit + 1]):
            run, p = run_weight[row], bridge[row]
            for m in distances:
                split = row - m
                if split < begin or checks[split] <= LEAST_BEFORE - 0.5:
                    break
                after = weight[row] - weight[split]
                if checks[row] - checks[split] <= least_after - 0.5 or after <= 0:
                    continue
                before = weight[split] if weight[split] > 0 else 1.0
                inverse = 1.0 / after
                mean = (weighted[row] - weighted[split]) * inverse
                share_after = min(after, run) * inverse
                share_before = max(run - after, 0.0) / before
                for against in range(2):
                    if against == 1:
                        delta = mean - reference[row]
                        variance = inverse + reference_variance[row] + share_after**2 * p
                    elif reference_variance[row] > 0:
                        delta = mean - weighted[split] / before
                        variance = inverse + 1.0 / before + (share_after - share_before) ** 2 * p
                    else:  # a reference that is known exactly: the past adds nothing
                        continue
                    amount = max(np.abs(delta) - dead_band, 0.0)
                    side = HIGH if delta > 0 else LOW
                    best = amount * sizes[side, 0, row] - sizes[side, 1, row]
                    for k in range(2, sizes.shape[1], 2):
                        best = max(best, amount * sizes[side, k, row] - sizes[side, k + 1, row])
                    best /= variance
                    if delta != 0 and best > ratio[side, row]:
                        ratio[side, row], change[side, row], where[side, row], by_reference[side, row] = best, delta, m, against
