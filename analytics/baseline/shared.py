"""What a check source, a jig or a control unit did, as told by all probes read with it, in steps of thirty days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.forward import Corrected
from analytics.baseline.location import Centre, robust_centre
from analytics.baseline.rows import Bools, Floats, Ints, Rows

MOST_LOG = 30.0  # of an offset; beyond it nothing is compared any more
BIN_DAYS = 30.0
PLAINLY_Z, PLAINLY_AT_LEAST = 4.0, 0.015  # standard errors and log size by which groups of probes plainly disagree


@dataclass(frozen=True)
class SharedMovement:
    """One row a device and thirty days, sorted by both."""

    device: Ints
    at_days: Floats  # middle of the readings in the bin
    ends_days: Floats  # end of the bin: from then on its value stands
    offset: Floats  # natural log
    sd: Floats
    probes: Ints


@dataclass(frozen=True)
class _Bins:
    """Robust means of groups of probes; arrays of length groups, sorted by key."""

    key: Ints  # [parts, groups]
    centre: Centre
    probes: Ints
    at_days: Floats


def _bins(keys: Ints, probe: Ints, residual: Floats, noise: Floats, at: Floats) -> _Bins:
    """Each probe speaks with one voice, the mean of its residuals under a key; the centre is over probes."""
    full = np.vstack([keys, probe])
    order = np.lexsort(full[::-1])
    full, residual, noise, at = full[:, order], residual[order], noise[order], at[order]
    new = np.ones(len(order), bool)
    new[1:] = (np.diff(full, axis=1) != 0).any(axis=0)
    starts = np.flatnonzero(new)
    count = np.diff(np.append(starts, len(order))).astype(float)
    mean = np.add.reduceat(residual, starts) / count
    variance = np.add.reduceat(noise, starts) / count**2 + 0.003**2
    when = np.add.reduceat(at, starts) / count
    group_key = full[:-1, starts]
    first = np.ones(len(starts), bool)
    first[1:] = (np.diff(group_key, axis=1) != 0).any(axis=0)
    group = np.cumsum(first) - 1
    groups = int(group[-1]) + 1
    place = np.arange(len(starts)) - np.flatnonzero(first)[group]
    table = np.full((int(place.max()) + 1, groups), np.nan)
    table_v = table.copy()
    table[place, group], table_v[place, group] = mean, variance
    probes = np.bincount(group, minlength=groups)
    return _Bins(
        group_key[:, first], robust_centre(table, table_v), probes, np.bincount(group, weights=when, minlength=groups) / probes
    )


def shared_movement(
    rows: Rows, corrected: Corrected, device: Ints, admitted: Bools, residual: Floats, least_probes: int = 3,
    apart: Ints | None = None,
) -> SharedMovement:
    """Robust mean over probes of their mean residual in each bin; bins with fewer than ``least_probes`` are left out.

    device: code of the source, jig or control unit of each row, −1 for none. residual: y − the probe's own level at that
    time, NaN where it had none. Bins are counted from 1970, so that later readings never move the earlier ones.
    apart: what else was used, a code a row (jig and control unit). Where probes on one such thing plainly disagree with
    those on another, at least ``least_probes`` on each, the device did what most of these groups say, and of two the
    one that moved less: one thing that moved explains that with less than two that moved against each other.
    """
    use = np.flatnonzero(rows.last & admitted & np.isfinite(residual) & (device >= 0))
    if len(use) == 0:
        empty = np.zeros(0)
        return SharedMovement(np.zeros(0, np.int64), empty, empty, empty, empty, np.zeros(0, np.int64))
    number = np.floor(rows.at_days[use] / BIN_DAYS).astype(np.int64)
    keys = np.stack([device[use], number])
    spoken = (rows.probe[use], residual[use], corrected.noise[use], rows.at_days[use])
    made = _bins(keys, *spoken)
    value, sd = made.centre.value.copy(), np.sqrt(made.centre.variance)
    if apart is not None:
        parts = _bins(np.vstack([keys, apart[use]]), *spoken)
        for place, k in _disagreeing(parts, least_probes):
            mine = np.flatnonzero((made.key == k[:, None]).all(axis=0))
            value[mine], sd[mine] = place
    keep = made.probes >= least_probes
    return SharedMovement(
        made.key[0][keep], made.at_days[keep], (made.key[1][keep] + 1.0) * BIN_DAYS, value[keep], sd[keep], made.probes[keep]
    )


def _disagreeing(parts: _Bins, least_probes: int) -> list[tuple[tuple[float, float], Ints]]:
    """Bins whose groups plainly disagree: ((what the device did, its standard error), (device, number))."""
    many = np.flatnonzero(parts.probes >= least_probes)
    if len(many) < 2:
        return []
    out = []
    key = parts.key[:2, many]
    starts = np.flatnonzero(np.append(True, (np.diff(key, axis=1) != 0).any(axis=0)))
    for begin, end in zip(starts, np.append(starts[1:], len(many)), strict=True):
        some = many[begin:end]
        value, variance = parts.centre.value[some], parts.centre.variance[some]
        low, high = int(np.argmin(value)), int(np.argmax(value))
        gap = value[high] - value[low]
        if gap <= max(PLAINLY_AT_LEAST, PLAINLY_Z * float(np.sqrt(variance[low] + variance[high]))):
            continue
        order = np.argsort(value, kind="stable")
        middle = order[[(len(order) - 1) // 2, len(order) // 2]]
        chosen = int(middle[np.argmin(np.abs(value[middle]))])
        out.append(((float(value[chosen]), float(np.sqrt(variance[chosen]))), key[:, begin]))
    return out


def against_source(
    rows: Rows, by_source: SharedMovement, device: Ints, admitted: Bools, residual: Floats, least_probes: int = 3
) -> Floats:
    """Residual with what the source did in the same thirty days taken off, [rows]; NaN where the device cannot be told from it.

    That takes at least ``least_probes`` probes on the device and as many on others of its kind, on that source in those days.
    """
    out = np.full(len(residual), np.nan)
    use = np.flatnonzero(rows.last & admitted & np.isfinite(residual) & (device >= 0))
    if len(use) == 0 or len(by_source.device) == 0:
        return out
    number = np.floor(rows.at_days[use] / BIN_DAYS).astype(np.int64)
    # Everything by one whole number: source, thirty days, device, probe.
    number -= number.min()
    bins, devices, probes = int(number.max()) + 1, int(device.max()) + 1, int(rows.probe.max()) + 1
    at = rows.source[use] * bins + number
    beside = at * devices + device[use]
    voices = np.unique(beside * probes + rows.probe[use])
    keys, on_device = np.unique(voices // probes, return_counts=True)
    spots, on_source = np.unique(voices // (probes * devices), return_counts=True)
    here, there = on_device[np.searchsorted(keys, beside)], on_source[np.searchsorted(spots, at)]
    told_apart = (here >= least_probes) & (there - here >= least_probes)
    first = int(np.floor(rows.at_days[use].min() / BIN_DAYS))
    said = by_source.device * bins + np.rint(by_source.ends_days / BIN_DAYS).astype(np.int64) - 1 - first
    order = np.argsort(said)
    place = order[np.minimum(np.searchsorted(said[order], at), len(said) - 1)]
    moved = np.where(told_apart & (said[place] == at), by_source.offset[place], np.nan)
    out[use] = residual[use] - moved
    return out
