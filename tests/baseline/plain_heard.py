"""What the neighbours say, worked out over whole arrays: an independent route to what the compiled loops say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.baseline.heard import Known
from analytics.baseline.neighbours import Timelines
from analytics.baseline.rows import Bools, Floats, Ints
from tests.baseline.plain_centre import Centre, median0, robust_centre

JUMP_Z, JUMP_AT_LEAST, WANDER, LOOK_Z, STEIN = 3.0, 0.01, 0.003**2, 1.5, 1.5


@dataclass(frozen=True)
class Neighbours:
    """Window means of the neighbours of each query; arrays [most neighbours, queries], NaN/0 where there is none."""

    unit: Ints  # unit of the neighbour, -1 where none
    mean: Floats  # mean log response in the window
    variance: Floats  # mean counting variance of one reading in it
    checks: Floats  # number of checks in the window
    when: Floats  # mean day of the readings in it
    same_jig: Bools
    same_readout: Bools  # its newest reading in the window was on the control unit of the query

    def only(self, queries: Ints) -> Neighbours:
        """These queries alone."""
        return Neighbours(
            self.unit[:, queries], self.mean[:, queries], self.variance[:, queries], self.checks[:, queries], self.when[:, queries],
            self.same_jig[:, queries], self.same_readout[:, queries],
        )


def _lookup(lines: Timelines, pair: Ints, at: Floats) -> Ints:
    """Number of sorted rows of each pair at or before ``at``, as an offset into the running sums."""
    # One binary search for all: inside each pair's slice, bisect by halving.
    low, high = lines.offset[pair].copy(), lines.offset[pair + 1].copy()
    while True:
        open_ = low < high
        if not open_.any():
            return low
        middle = (low + high) // 2
        right = open_ & (lines.at_days[np.minimum(middle, len(lines.at_days) - 1)] <= at)
        low = np.where(right, middle + 1, low)
        high = np.where(open_ & ~right, middle, high)


def neighbours(
    lines: Timelines, source: Ints, at: Floats, probe: Ints, jig: Ints, readout: Ints, unit_probe: Ints,
    windows: Sequence[float],
) -> list[Neighbours]:
    """Neighbours of every query (source, instant, probe, jig, control unit): all units of other probes on the source.

    One answer for each of the ``windows`` (days, the longest first); a unit stands in the same row of all of them.
    """
    first, end = lines.source_first[source], lines.source_first[source + 1]
    if len(at):
        # Only pairs alive in the time these queries span can answer; drop the long dead before padding.
        alive = (lines.pair_from <= at.max()) & (lines.pair_to > at.min() - windows[0])
    else:
        alive = np.zeros(len(lines.pair_unit), bool)
    kept = np.flatnonzero(alive)
    first, end = np.searchsorted(kept, first), np.searchsorted(kept, end)
    most = int((end - first).max(initial=0))
    place = first[None, :] + np.arange(most)[:, None]
    valid = place < end[None, :]
    pair = kept[np.minimum(place, max(len(kept) - 1, 0))] if len(kept) else np.zeros(place.shape, np.int64)
    unit = lines.pair_unit[pair] if len(kept) else np.zeros(place.shape, np.int64)
    valid &= unit_probe[unit] != probe[None, :]
    which, query = np.nonzero(valid)
    pairs = pair[which, query]
    high = _lookup(lines, pairs, at[query])
    same_jig = lines.pair_jig[pair] == jig[None, :] if len(kept) else np.zeros(place.shape, bool)
    return [
        _in_window(lines, place.shape, which, query, pairs, high, at, window, unit, same_jig, readout) for window in windows
    ]


def _in_window(
    lines: Timelines, shape: tuple[int, ...], which: Ints, query: Ints, pairs: Ints, high: Ints, at: Floats, window: float,
    unit: Ints, same_jig: Bools, readout: Ints,
) -> Neighbours:
    """Means over (t − window, t]; ``high`` is where t stands in each pair's timeline."""
    low = _lookup(lines, pairs, at[query] - window)
    n, mean, variance, when = np.zeros(shape), np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)

    def inside(sums: Floats) -> Floats:
        begin = lines.offset[pairs]
        upto = np.where(high > begin, sums[np.maximum(high - 1, 0)], 0.0)
        return upto - np.where(low > begin, sums[np.maximum(low - 1, 0)], 0.0)

    count = np.rint(inside(lines.sums[:, 0]))
    total_y, total_v, total_t = inside(lines.sums[:, 1]), inside(lines.sums[:, 2]), inside(lines.sums[:, 3])
    some = count > 0
    where, asked, of = which[some], query[some], pairs[some]
    count, total_y, total_v, total_t = count[some], total_y[some], total_v[some], total_t[some]
    n[where, asked] = count
    mean[where, asked] = total_y / count + lines.base[of]
    variance[where, asked] = np.maximum(total_v, 0.0) / count
    when[where, asked] = total_t / count + lines.pair_from[of]
    same_readout = np.zeros(shape, bool)
    newest = lines.readout[high[some] - 1]
    same_readout[where, asked] = (newest == readout[asked]) & (newest >= 0)
    return Neighbours(
        unit=np.where(n > 0, unit, -1), mean=mean, variance=variance, checks=n, when=when, same_jig=same_jig & (n > 0),
        same_readout=same_readout,
    )


def one_witness(view: Neighbours, may: Bools, known: Known, unit_probe: Ints) -> Bools:
    """Of the units that may speak, one a probe: in the same jig before others, then the one surest of its movement; the first of alike."""
    out = np.zeros_like(may)
    for query in range(may.shape[1]):
        best: dict[int, tuple[bool, float, int]] = {}
        for row in np.flatnonzero(may[:, query]):
            unit = view.unit[row, query]
            doubt = (view.variance[row, query] + known.placing[unit]) / view.checks[row, query] + known.anchor_var[unit]
            mine = (not view.same_jig[row, query], doubt, row)
            best[unit_probe[unit]] = min(mine, best.get(unit_probe[unit], mine))
        out[[row for _, _, row in best.values()], query] = True
    return out


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
