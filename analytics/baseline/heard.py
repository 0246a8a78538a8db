"""What the neighbours say that is shared at an instant: over how long they are heard, and on whose control unit.

A shared movement may be a knock (a jig, a control unit) or slow (a source). The neighbours' mean over the whole window is
the surest where nothing jumped and lags behind where something did, so the window is shortened step by step, and only
where what is left of it plainly differs from what is cut off (Lepski's rule of the longest window not contradicted).
A probe's own level cancels in the difference of its own readings, so the test is sharp even with few neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analytics.baseline.location import Centre, median0, robust_centre
from analytics.baseline.neighbours import Neighbours, Timelines, neighbours
from analytics.baseline.rows import Bools, Floats, Ints

WINDOW_SHARES = (1.0, 0.6, 0.3, 0.1)  # of the window of the settings, the longest first
JUMP_Z, JUMP_AT_LEAST = 3.0, 0.01  # standard errors and log size from which the older part of a window is dropped
WANDER = 0.003**2  # a sound neighbour's own slow wander about its reference
STEEP_PER_DAY, STEEP_Z, STEEP_ALIKE = 0.3 / 365.0, 5.0, 1.7  # a source whose record is grossly wrong: its slope is followed
LOOK_Z = 1.5  # median shifts within this many standard errors are not looked at further: most are, and it saves the time
STEIN = 1.5  # of the squared error that the gap between control units must exceed before it counts


@dataclass(frozen=True)
class Known:
    """What is known of every unit; arrays [units]."""

    anchor: Floats  # level it is held against
    anchor_var: Floats
    placing: Floats


@dataclass(frozen=True)
class Said:
    """Arrays [queries], and those behind the centre as [neighbours, queries]."""

    centre: Centre
    use: Bools
    scatter: Floats  # variance of each neighbour's mean that more checks average away
    lasting: Floats  # and that which they do not

    @property
    def lasting_share(self) -> Floats:
        """Part of the variance that does not average away."""
        total, part = np.zeros(self.use.shape[1]), np.zeros(self.use.shape[1])
        for s, one, u in zip(self.scatter, self.lasting, self.use, strict=True):
            total = total + np.where(u, s + one, 0.0)
            part = part + np.where(u, one, 0.0)
        return np.where(total > 0, part / np.where(total > 0, total, 1.0), 1.0)


def steep_slopes(
    lines: Timelines, at_days: float, known: Known, ready: Bools, unit_probe: Ints, window_days: float, least_probes: int
) -> Floats:
    """Slope of each source beyond its stated decay, a day, where it is plain and steep (a wrong nuclide); else 0.

    From the last two windows up to ``at_days``, or, where checks are rarer, from windows three times as long. A slope is
    the same between the two windows as within the newer one, to a factor of 1.7, which a knock is not. ready: [units] that
    may speak.
    """
    sources = len(lines.source_first) - 1
    nobody, at = np.full(sources, -1), np.full(sources, at_days)
    found = np.zeros(sources)
    for scale in (3.0, 1.0):
        windows = [share * scale * window_days for share in (2.0, 1.0, 0.3)]
        long, whole, newest = neighbours(lines, np.arange(sources), at, nobody, nobody, nobody, unit_probe, windows)
        between, within = (_slope(*pair, known, ready, least_probes) for pair in ((long, whole), (whole, newest)))
        ratio = between / within
        found = np.where((ratio < STEEP_ALIKE) & (ratio > 1.0 / STEEP_ALIKE), 0.5 * (between + within), found)
    return found


def _slope(wide: Neighbours, late: Neighbours, known: Known, ready: Bools, least_probes: int) -> Floats:
    """Common slope between the newer part ``late`` and the rest of ``wide``, a day; NaN where it is not plain and steep."""
    unit = np.maximum(wide.unit, 0)
    older = np.rint(wide.checks - late.checks)
    both = (late.checks > 0) & (older > 0) & ready[unit] & (wide.unit >= 0)
    rest = np.where(both, older, 1.0)
    apart = late.when - (wide.checks * wide.when - late.checks * late.when) / rest
    shift = late.mean - (wide.checks * wide.mean - late.checks * late.mean) / rest
    placing = known.placing[unit]
    error = (late.variance + placing) / np.maximum(late.checks, 1.0) + (wide.variance + placing) / rest
    apart = np.where(both & (apart > 0), apart, np.nan)
    made = robust_centre(shift / apart, error / apart**2)
    plain = (both.sum(axis=0) >= least_probes) & (np.abs(made.value) > STEEP_Z * np.sqrt(made.variance))
    return np.where(plain & (np.abs(made.value) > STEEP_PER_DAY), made.value, np.nan)


def at_query(views: list[Neighbours], at_days: Floats, slope: Floats) -> list[Neighbours]:
    """The views with their means carried to the moment of each query by its source's slope."""
    if not slope.any():
        return views
    return [replace(one, mean=one.mean + np.where(slope != 0.0, slope * (at_days - one.when), 0.0)) for one in views]


def heard(views: list[Neighbours], use: Bools, known: Known, least_probes: int) -> Said:
    """Centre of the neighbours in use over the longest window without a jump.

    views: the same neighbours over windows of ``WINDOW_SHARES``. Fewer than ``least_probes`` − 1 neighbours in both parts
    of a window: it is not shortened.
    """
    unit = np.where(use, views[0].unit, 0)
    placing, lasting = known.placing[unit], known.anchor_var[unit] + WANDER
    anchor = np.where(use, known.anchor[unit], np.nan)
    checks, mean, variance = views[0].checks, views[0].mean, views[0].variance
    for view in views[1:]:
        older = np.rint(checks - view.checks)
        new, old = use & (view.checks > 0), use & (older > 0)
        candidates = np.flatnonzero(
            (new.sum(axis=0) >= least_probes - 1) & (old.sum(axis=0) >= least_probes - 1)
        )
        if len(candidates) == 0:
            continue
        c = candidates
        rest = np.where(old[:, c], older[:, c], 1.0)
        before = np.where(
            old[:, c], (checks[:, c] * mean[:, c] - np.where(new[:, c], view.checks[:, c] * view.mean[:, c], 0.0)) / rest, np.nan
        )
        after = np.where(new[:, c], view.mean[:, c], np.nan)
        v_before = (variance[:, c] + placing[:, c]) / rest
        v_after = (view.variance[:, c] + placing[:, c]) / np.maximum(view.checks[:, c], 1.0)
        parts = (after - anchor[:, c], before - anchor[:, c], v_after, v_before, lasting[:, c])
        look = np.flatnonzero(_worth_a_look(*parts[:4], least_probes))
        if len(look) == 0:
            continue
        late, early, v_late, v_early, apart = (part[:, look] for part in parts)
        gap, error = _gap(late, early, v_late, v_early, apart, least_probes)
        jumped = np.zeros(use.shape[1], bool)
        jumped[c[look]] = (np.abs(gap) > JUMP_Z * error) & (np.abs(gap) > JUMP_AT_LEAST)
        shorter = jumped[None, :]
        checks = np.where(shorter, view.checks, checks)
        mean, variance = np.where(shorter, view.mean, mean), np.where(shorter, view.variance, variance)
        use = np.where(shorter, new, use)
    scatter = (variance + placing) / np.maximum(checks, 1.0)
    centre = robust_centre(np.where(use, mean - anchor, np.nan), np.where(use, scatter + lasting, np.nan))
    return Said(centre, use, scatter, lasting)


def _worth_a_look(after: Floats, before: Floats, v_after: Floats, v_before: Floats, least_probes: int) -> Bools:
    """Whether the median shift could be a jump; always, where too few were read in both parts of the window."""
    shift = after - before
    both = np.isfinite(shift).sum(axis=0)
    error = np.sqrt(median0(np.where(np.isfinite(shift), v_after + v_before, np.nan)) / np.maximum(both, 1))
    middle = np.abs(median0(shift))
    return np.asarray((both < least_probes - 1) | ((middle > LOOK_Z * error) & (middle > 0.5 * JUMP_AT_LEAST)))


def _gap(
    after: Floats, before: Floats, v_after: Floats, v_before: Floats, lasting: Floats, least_probes: int
) -> tuple[Floats, Floats]:
    """Difference of the two parts of a window and its standard error: by probe where enough were read in both, else by group."""
    both = np.isfinite(after) & np.isfinite(before)
    paired = robust_centre(np.where(both, after - before, np.nan), np.where(both, v_after + v_before, np.nan))
    gap, variance = paired.value, paired.variance
    alone = np.flatnonzero(both.sum(axis=0) < least_probes - 1)
    if len(alone):
        late = robust_centre(after[:, alone], (v_after + lasting)[:, alone])
        early = robust_centre(before[:, alone], (v_before + lasting)[:, alone])
        gap[alone], variance[alone] = late.value - early.value, late.variance + early.variance
    return gap, np.sqrt(variance)


def heard_by_readout(views: list[Neighbours], use: Bools, readout: Ints, known: Known, least_probes: int) -> Said:
    """As ``heard``, leaning to the neighbours on the same control unit by how plainly they left the others.

    readout: control unit of each query, −1 for none. With g the gap between the two groups and v its variance, those on
    the same unit weigh max(0, 1 − 1.5 v/g²) (James and Stein's shrinkage): nothing where the groups agree, all where a
    unit moved and took its probes along. Fewer than ``least_probes`` − 1 on either: all are heard alike.
    """
    whole = heard(views, use, known, least_probes)
    mates, others = use & views[0].same_readout, use & ~views[0].same_readout & (readout >= 0)[None, :]
    asked = np.flatnonzero(
        (mates.sum(axis=0) >= least_probes - 1) & (others.sum(axis=0) >= least_probes - 1)
    )
    if len(asked):
        asked = asked[_groups_part(views, mates, others, asked, known)]
    if len(asked) == 0:
        return whole
    some = [view.only(asked) for view in views]
    mated, apart = (heard(some, group[:, asked], known, least_probes) for group in (mates, others))
    gap = mated.centre.value - apart.centre.value
    doubt = mated.centre.variance + apart.centre.variance
    weight = np.clip(1.0 - STEIN * doubt / np.maximum(gap**2, 1e-18), 0.0, 1.0)
    value, variance = whole.centre.value.copy(), whole.centre.variance.copy()
    value[asked] = weight * mated.centre.value + (1.0 - weight) * value[asked]
    variance[asked] = weight * mated.centre.variance + (1.0 - weight) * variance[asked]
    scatter, lasting, used = whole.scatter.copy(), whole.lasting.copy(), whole.use.copy()
    mostly = np.flatnonzero(weight > 0.5)
    for mine, theirs in ((scatter, mated.scatter), (lasting, mated.lasting), (used, mated.use)):
        mine[:, asked[mostly]] = theirs[:, mostly]
    return Said(Centre(value, variance, whole.centre.members), used, scatter, lasting)


def _groups_part(views: list[Neighbours], mates: Bools, others: Bools, asked: Ints, known: Known) -> Bools:
    """Whether the medians of the two groups lie apart by a standard error, over the whole window or its newest third."""
    out = np.zeros(len(asked), bool)
    for view in (views[0], views[2]):
        unit = np.maximum(view.unit[:, asked], 0)
        residual = view.mean[:, asked] - known.anchor[unit]
        variance = (view.variance[:, asked] + known.placing[unit]) / np.maximum(view.checks[:, asked], 1.0)
        apart, error = np.zeros(len(asked)), np.zeros(len(asked))
        for side, group in ((1.0, mates[:, asked]), (-1.0, others[:, asked])):
            heard_now = group & np.isfinite(residual)
            apart = apart + side * median0(np.where(heard_now, residual, np.nan))
            error = error + median0(np.where(heard_now, variance + known.anchor_var[unit], np.nan)) / np.maximum(heard_now.sum(axis=0), 1)
        out |= np.abs(apart) > np.sqrt(error)  # NaN compares false
    return out
