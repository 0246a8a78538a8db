"""Countings of one kind pooled by sub-check: counts, time, and the net rate once the check's background is off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.counting.arrays import Bools, Codes, Floats, Times, lasts_of, starts_of
from analytics.counting.background import pooled_rate
from analytics.counting.columns import Countings
from analytics.counting.subchecks import SubChecks


@dataclass(frozen=True)
class Pooled:
    """Row = sub-check. Counts and time are 0, and rates NaN, where nothing of the kind was counted."""

    counts: Floats
    time_s: Floats
    rate_cps: Floats      # dead-time corrected, background still in
    rate_var: Floats
    last_at: Times        # NaT where nothing was counted
    readout: Codes


def pool(countings: Countings, subs: SubChecks, measurement: int, among: Bools | None = None) -> Pooled:
    """All countings of one measurement, by sub-check; ``among`` masks ``subs.rows`` further."""
    part = countings.measurement[subs.rows] == measurement
    if among is not None:
        part &= among
    rows, sub = subs.rows[part], subs.of_row[part]
    size = len(subs)
    if len(rows) == 0:
        nothing, never = np.full(size, np.nan), np.full(size, np.datetime64("NaT", "us"))
        return Pooled(np.zeros(size), np.zeros(size), nothing, nothing, never, np.full(size, -1, np.int32))

    def total(values: Floats) -> Floats:
        return np.bincount(sub, weights=values[rows], minlength=size).astype(np.float64)

    counts, time_s, rounding = total(countings.counts), total(countings.count_time_s), total(countings.rounding_counts2)
    tau, model = countings.probes.dead_time_s[subs.probe], countings.probes.dead_time_model[subs.probe]
    has = time_s > 0
    rate, variance = pooled_rate(counts, np.where(has, time_s, 1.0), rounding, tau, model)
    last_at = np.full(size, np.datetime64("NaT", "us"))
    readout = np.full(size, -1, np.int32)
    last = lasts_of(starts_of(sub), len(sub))
    last_at[sub[last]] = countings.taken_at[rows[last]]
    readout[sub[last]] = countings.readout[rows[last]]
    return Pooled(counts, time_s, np.where(has, rate, np.nan), np.where(has, variance, np.nan), last_at, readout)

