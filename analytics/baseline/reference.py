"""The level a unit is held against: the robust centre of its first checks, unless they themselves moved.

Monthly checks take twenty months to fill a reference, and a drift that begins in that time would be averaged into it. So
every time the reference is made, it is asked whether one break explains the checks plainly better than one level does:

    a step,  x = a for the first j checks, a + b from then on;     a ramp,  x = a + b · max(0, t − t_j);     z = b / s(b)

Where |z| of the best is beyond 3.7, the reference is a, the level before the break, with its own variance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.location import median0, robust_centre
from analytics.baseline.rows import Bools, Floats

WIDENING = 1.1  # a biweight centre is 5 % less efficient than the mean, more for few values
BREAK_Z = 3.7  # of a sound unit the largest of some thirty correlated |z| is beyond it less than once in 300 (simulated)
BREAK_AT_LEAST = 0.015  # natural log
LEAST_BEFORE, LEAST_AFTER, LEAST_CHECKS = 4, 3, 7
LONE = 4.0  # standard deviations from its neighbours' median at which a check is left out of the question


@dataclass(frozen=True)
class References:
    """Arrays [units], natural logs."""

    value: Floats
    variance: Floats
    change: Floats  # what the checks of the reference moved by, NaN where no break is plain
    change_sd: Floats
    ramp: Bools  # it drifts rather than steps


def references(table: Floats, variance: Floats, at_days: Floats) -> References:
    """References of units from their first checks, [units, checks] in order, NaN where there is none yet.

    Nothing known: NaN, infinite variance. Fewer than seven checks: no break is looked for.

    >>> t = np.arange(12.0)[None, :]
    >>> flat = references(0.002 * np.cos(9 * t), np.full((1, 12), 1e-4), 30 * t)
    >>> fell = references(0.002 * np.cos(9 * t) - 0.01 * t, np.full((1, 12), 1e-4), 30 * t)
    >>> bool(np.isnan(flat.change[0])), bool(fell.ramp[0]), fell.value.round(2).tolist(), fell.change.round(2).tolist()
    (True, True, [0.0], [-0.11])
    """
    centre = robust_centre(table.T, variance.T)
    value, spread = centre.value, centre.variance * WIDENING
    change, change_sd = np.full(len(value), np.nan), np.full(len(value), np.nan)
    ramp = np.zeros(len(value), bool)
    some = np.flatnonzero(np.isfinite(table).sum(axis=1) >= LEAST_CHECKS)
    if len(some) == 0:
        return References(value, spread, change, change_sd, ramp)
    x, v, t = table[some], variance[some], at_days[some]
    w = np.where(np.isfinite(x) & ~_lone(x, v), 1.0 / v, 0.0)
    x, t = np.where(w > 0, x, 0.0), np.where(np.isfinite(t), t, 0.0)
    number = np.cumsum(w > 0, axis=1)
    many = number[:, -1]
    best = np.zeros(len(some))
    found = {name: np.full(len(some), np.nan) for name in ("start", "start_var", "change", "change_sd")}
    drifts = np.zeros(len(some), bool)
    last = np.max(t, axis=1, where=w > 0, initial=0.0)
    for j in range(table.shape[1] - LEAST_AFTER):
        for is_ramp in (False, True):
            before = number[:, j - 1] if j else np.zeros(len(some), int)
            ok = (many - before >= LEAST_AFTER) & (w[:, j] > 0) & (is_ramp | (before >= LEAST_BEFORE))
            ok &= (many - before > LEAST_AFTER) | ~np.bool_(is_ramp)
            if not ok.any():
                continue
            late = (np.arange(x.shape[1]) >= j)[None, :]
            shape = np.where(late, t - t[:, [j]] if is_ramp else 1.0, 0.0)
            a, b, var_a, var_b = _fit(w, shape, x)
            z = np.where(ok & (var_b > 0), np.abs(b) / np.sqrt(np.where(var_b > 0, var_b, 1.0)), 0.0)
            better = z > best
            size = b * (last - t[:, j]) if is_ramp else b
            size_sd = np.sqrt(var_b) * ((last - t[:, j]) if is_ramp else 1.0)
            for name, part in (("start", a), ("start_var", var_a), ("change", size), ("change_sd", size_sd)):
                found[name] = np.where(better, part, found[name])
            drifts, best = np.where(better, is_ramp, drifts), np.where(better, z, best)
    moved = (best > BREAK_Z) & (np.abs(found["change"]) > BREAK_AT_LEAST)
    at = some[moved]
    value, spread = value.copy(), spread.copy()
    value[at], spread[at] = found["start"][moved], found["start_var"][moved] * WIDENING
    change[at], change_sd[at], ramp[at] = found["change"][moved], found["change_sd"][moved], drifts[moved]
    return References(value, spread, change, change_sd, ramp)


def _fit(w: Floats, shape: Floats, x: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Weighted x = a + b · shape by unit: a, b, their variances (0 where b cannot be told)."""
    sw, ss, sx = w.sum(axis=1), (w * shape).sum(axis=1), (w * x).sum(axis=1)
    sw = np.where(sw > 0, sw, 1.0)
    sss = (w * shape * shape).sum(axis=1) - ss * ss / sw
    told = sss > 1e-9
    safe = np.where(told, sss, 1.0)
    b = np.where(told, ((w * shape * x).sum(axis=1) - ss * sx / sw) / safe, 0.0)
    mean = ss / sw
    return sx / sw - b * mean, b, 1.0 / sw + np.where(told, mean * mean / safe, 0.0), np.where(told, 1.0 / safe, 0.0)


def _lone(x: Floats, v: Floats) -> Bools:
    """Checks far from the median of the two before and the two after them, in [units, checks]."""
    wide = np.pad(x, ((0, 0), (2, 2)), constant_values=np.nan)
    n = x.shape[1]
    around = np.stack([wide[:, k : k + n] for k in (0, 1, 3, 4)]).reshape(4, -1)
    off = np.abs(x.ravel() - median0(around)).reshape(x.shape)
    return np.asarray(off > LONE * np.sqrt(1.5 * v))


MOVED = "The reference period itself"  # how what is said of it begins


def reference_sentence(change: float, change_sd: float, ramp: bool) -> str:
    """What is said of a reference period that moved; change and its standard error as natural logs.

    >>> reference_sentence(-0.064, 0.011, True)
    'The reference period itself drifts by −6.2 % ± 1.0 %; the reference is therefore its level at the start of that drift.'
    """
    size = 100.0 * float(np.expm1(change))
    number = f"{'−' if size < 0 else '+'}{abs(size):.1f} % ± {100.0 * change_sd * float(np.exp(change)):.1f} %"
    if ramp:
        return f"{MOVED} drifts by {number}; the reference is therefore its level at the start of that drift."
    return f"{MOVED} steps by {number}; the reference is therefore its level before that step."
