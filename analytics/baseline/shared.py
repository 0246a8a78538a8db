"""What a check source (or a jig) did, as told by all probes read on it, in steps of thirty days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.forward import Corrected
from analytics.baseline.location import robust_centre
from analytics.baseline.rows import Bools, Floats, Ints, Rows

BIN_DAYS = 30.0


@dataclass(frozen=True)
class SharedMovement:
    """One row a device and thirty days, sorted by both."""

    device: Ints
    at_days: Floats  # middle of the readings in the bin
    ends_days: Floats  # end of the bin: from then on its value stands
    offset: Floats  # natural log
    sd: Floats
    probes: Ints


def shared_movement(
    rows: Rows, corrected: Corrected, device: Ints, admitted: Bools, residual: Floats, least_probes: int = 3,
) -> SharedMovement:
    """Robust mean over probes of their mean residual in each bin; bins with fewer than ``least_probes`` are left out.

    device: code of the source or jig of each row, −1 for none. residual: y − the probe's own level at that time, NaN
    where it had none. Bins are counted from 1970, so that later readings never move the earlier ones.
    """
    use = np.flatnonzero(rows.last & admitted & np.isfinite(residual) & (device >= 0))
    if len(use) == 0:
        empty = np.zeros(0)
        return SharedMovement(np.zeros(0, np.int64), empty, empty, empty, empty, np.zeros(0, np.int64))
    number = np.floor(rows.at_days[use] / BIN_DAYS).astype(np.int64)
    keys = np.stack([device[use], number, rows.probe[use]])
    order = np.lexsort(keys[::-1])
    use, keys = use[order], keys[:, order]
    new = np.ones(len(use), bool)
    new[1:] = (np.diff(keys, axis=1) != 0).any(axis=0)
    starts = np.flatnonzero(new)
    count = np.diff(np.append(starts, len(use))).astype(float)
    mean = np.add.reduceat(residual[use], starts) / count
    variance = np.add.reduceat(corrected.noise[use], starts) / count**2 + 0.003**2
    when = np.add.reduceat(rows.at_days[use], starts) / count
    group_key = keys[:2, starts]
    first = np.ones(len(starts), bool)
    first[1:] = (np.diff(group_key, axis=1) != 0).any(axis=0)
    group = np.cumsum(first) - 1
    groups = int(group[-1]) + 1
    place = np.arange(len(starts)) - np.flatnonzero(first)[group]
    table = np.full((int(place.max()) + 1, groups), np.nan)
    table_v = table.copy()
    table[place, group], table_v[place, group] = mean, variance
    centre = robust_centre(table, table_v)
    probes = np.bincount(group, minlength=groups)
    at = np.bincount(group, weights=when, minlength=groups) / probes
    keep = probes >= least_probes
    return SharedMovement(
        group_key[0, first][keep],
        at[keep],
        (group_key[1, first][keep] + 1.0) * BIN_DAYS,
        centre.value[keep],
        np.sqrt(centre.variance[keep]),
        probes[keep],
    )
