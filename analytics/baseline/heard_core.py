"""The robust centre, and what one reading hears from its neighbours, as compiled loops.

``location.robust_centre`` and ``heard`` say what is computed and why. Everything is summed in the order in which the
neighbours stand, so that an answer depends on nothing that is worked out beside it.
"""

from __future__ import annotations

import numpy as np

from analytics.baseline.neighbours import Timelines
from analytics.baseline.rows import Bools, Floats, Ints
from analytics.compiled import compiled

PRIOR_MOVED = 0.1  # share of the values that may have moved together (project choice)
TUKEY_C = 4.685  # 95 % efficiency for normal errors (Beaton & Tukey's biweight; constant from memory)
STEPS = 5
JUMP_Z, JUMP_AT_LEAST = 3.0, 0.01  # standard errors and log size from which the older part of a window is dropped
WANDER = 0.003**2  # a sound neighbour's own slow wander about its reference
LOOK_Z = 1.5  # median shifts within this many standard errors are not looked at further: most are, and it saves the time
STEIN = 1.5  # of the squared error that the gap between control units must exceed before it counts
WHOLE, NEWEST = 0, 2  # windows over which control units are compared: the whole one and its newest third
# What a timeline shows in a window: checks, their mean and its counting variance, the mean from the anchor with its variance;
# and the checks of the whole window that are older, their mean from the anchor and its variance.
N, MEAN, VARIANCE, DEVIATION, DOUBT, OLDER, BEFORE, BEFORE_DOUBT, SHOWN = range(9)
SOONER = 1e-6  # days: a timeline is looked at so long before it can have moved, more than a sum of days is rounded by


@compiled
def median(values: Floats, n: int) -> float:
    """Median of the first ``n`` values; NaN for none."""
    low, high, has_low, has_high = -np.inf, -np.inf, False, False
    for i in range(n):
        value, below = values[i], 0
        for j in range(n):  # no branch inside: made to vectors, this beats putting few values in order
            below += values[j] < value
        if below <= (n - 1) // 2:
            low = max(low, value)
            has_low |= below == (n - 1) // 2
        if below <= n // 2:
            high = max(high, value)
            has_high |= below == n // 2
        if has_low and has_high:  # none of the others is nearer
            break
    return float(0.5 * (low + high)) if n > 0 else np.nan


@compiled
def middle_within(values: Floats, n: int, low: float, high: float) -> bool:
    """Whether the one or two middle ones of ``n`` values lie in [low, high], and with them their median."""
    below = above = 0
    for i in range(n):
        below += values[i] < low
        above += values[i] > high
    return below <= (n - 1) // 2 and n - above > n // 2


@compiled
def centre(x: Floats, v: Floats, n: int, scratch: Floats) -> tuple[float, float, float]:
    """Biweight centre of ``n`` known values with variances ``v``: value, variance, effective number. scratch: [4, n or more]."""
    return centre_about(x, v, n, median(x, n), median(v, n), scratch) if n > 0 else (np.nan, np.inf, 0.0)


@compiled
def centre_about(x: Floats, v: Floats, n: int, middle: float, usual: float, scratch: Floats) -> tuple[float, float, float]:
    """The same where the medians of values and variances are known; ``n`` at least 1."""
    order, precision, residual, scale = scratch[0], scratch[1], scratch[2], scratch[3]
    value, typical, extra = middle, np.sqrt(usual), 0.0
    if n > 3:
        for i in range(n):
            order[i] = np.abs(x[i] - value)
            residual[i] = 1.4826 * order[i]
        if not middle_within(residual, n, 0.0, typical):
            extra = max((1.4826 * median(order, n)) ** 2 - typical**2, 0.0)
    whole, least = 0.0, 0.25 * typical**2
    for i in range(n):
        # None weighs more than four times the typical one: a neighbour with thousands of counts is still one probe that may drift.
        precision[i] = 1.0 / max(v[i] + extra, least)
        scale[i] = np.sqrt(max(v[i] + extra, 1e-18))
    for i in range(n):
        whole += precision[i]
    total = squares = 0.0
    for _ in range(STEPS):
        for i in range(n):  # apart from the sums, so that it is made to vectors
            residual[i] = (x[i] - value) / scale[i]
            order[i] = precision[i] * (1.0 - (residual[i] / TUKEY_C) ** 2) ** 2
        total = squares = weighted = 0.0
        for i in range(n):
            if np.abs(residual[i]) < TUKEY_C:
                total += order[i]
                weighted += order[i] * x[i]
                squares += order[i] ** 2
        before = value
        if total > 0:
            value = weighted / total
        if value == before:
            break
    if total == 0:
        # Values so far apart that none lies near the centre (two that disagree): the median, with the spread they show.
        total, squares = whole, 0.0
        for i in range(n):
            squares += precision[i] ** 2
    # Spread of all known values, rejected ones too: where half the neighbours disagree, nothing is known.
    seen = 0.0
    for i in range(n):
        order[i] = np.abs(x[i] - value)
        seen += precision[i] * min(order[i], 10.0) ** 2
    seen /= whole
    if n > 3 and seen > (n - 1) / total:  # else it is less than what is stated, and no less matters
        seen = min(seen, 2.0 * (1.4826 * median(order, n)) ** 2)
    variance = 1.0 / total
    if n > 1:
        variance = max(variance, seen / (n - 1))
    if n > 3:
        variance += other_side(x, value, residual, n)
    return value, variance, total**2 / squares


@compiled
def other_side(x: Floats, value: float, residual: Floats, n: int) -> float:
    """Variance for that those rejected on one side might be right: P(they are) · gap², the larger of the two sides."""
    stay = 0
    for i in range(n):
        stay += np.abs(residual[i]) < TUKEY_C
    out = 0.0
    for side in (-1.0, 1.0):
        away, gap = 0, 0.0
        for i in range(n):
            if np.abs(residual[i]) >= TUKEY_C and side * (x[i] - value) > 0:
                away += 1
                gap += side * (x[i] - value)
        if away > 0:
            odds = ((1.0 - PRIOR_MOVED) / PRIOR_MOVED) ** float(min(max(stay - away, -20), 20))
            out = max(out, (gap / away) ** 2 / (1.0 + odds))
    return out


@compiled
def centres(values: Floats, variances: Floats) -> tuple[Floats, Floats, Floats]:
    """``centre`` of each row of [groups, places]; NaN marks an empty place."""
    groups, places = values.shape
    out, spread, members = np.empty(groups), np.empty(groups), np.empty(groups)
    x, v, scratch = np.empty(places), np.empty(places), np.empty((4, places))
    for group in range(groups):
        n = 0 * places
        for place in range(places):
            if np.isfinite(values[group, place]) and np.isfinite(variances[group, place]):
                x[n], v[n] = values[group, place], variances[group, place]
                n += 1
        out[group], spread[group], members[group] = centre(x, v, n, scratch)
    return out, spread, members


@compiled
def upto(at_days: Floats, low: int, high: int, at: float) -> int:
    """First row of the slice [low, high) that is later than ``at``."""
    while low < high:
        middle = (low + high) // 2
        if at_days[middle] <= at:
            low = middle + 1
        else:
            high = middle
    return low


@compiled
def inside(sums: Floats, which: int, begin: int, low: int, high: int) -> float:
    """Running sum between two rows of a timeline."""
    return float(sums[high - 1, which] - (sums[low - 1, which] if low > begin else 0.0))


@compiled
def moved_on(offset: Ints, at_days: Floats, pair: int, at: float, windows: Floats, stands: Ints, due: Floats, here: int) -> bool:
    """Move the stands[here, 1 + windows] of a timeline on to ``at``: the first row later than it, and the first one in each window.

    Returns whether any of them moved. A first stand below 0: never set. due[here]: the day before which none can move again.
    """
    begin, end, high, moved = offset[pair], offset[pair + 1], stands[here, 0], False
    if high < 0:
        high = upto(at_days, begin, end, at)
        for w in range(len(windows)):
            stands[here, 1 + w] = begin = upto(at_days, begin, high, at - windows[w])
        moved = True
    while high < end and at_days[high] <= at:
        high += 1
        moved = True
    stands[here, 0] = high
    soonest = at_days[high] if high < end else np.inf
    for w in range(len(windows)):
        low, since = stands[here, 1 + w], at - windows[w]
        while low < high and at_days[low] <= since:
            low += 1
            moved = True
        stands[here, 1 + w] = low
        if low < high:
            soonest = min(soonest, at_days[low] + windows[w])
    due[here] = soonest - SOONER
    return moved


@compiled
def look(
    sums: Floats, begin: int, base: float, began: float, at: float, slope: float, anchor: float, placing: float, stands: Ints,
    seen: Floats, here: int,
) -> None:
    """What a timeline shows in every window, into seen[here, :, window]: the rows named above.

    begin, base, began: its first row, the log response taken off and its first day. The means are carried to ``at`` by the slope.
    """
    high = stands[here, 0]
    for w in range(seen.shape[2]):
        seen[here, N, w], seen[here, MEAN, w], seen[here, VARIANCE, w] = 0.0, np.nan, np.nan
        low = stands[here, 1 + w]
        if high == begin:
            continue
        n = np.rint(inside(sums, 0, begin, low, high))
        if n <= 0:
            continue
        mean = inside(sums, 1, begin, low, high) / n + base
        if slope != 0.0:
            mean += slope * (at - (inside(sums, 3, begin, low, high) / n + began))
        seen[here, N, w], seen[here, MEAN, w] = n, mean
        seen[here, VARIANCE, w] = max(inside(sums, 2, begin, low, high), 0.0) / n
    many, mean, variance = seen[here, N, 0], seen[here, MEAN, 0], seen[here, VARIANCE, 0]
    for w in range(seen.shape[2]):
        n = seen[here, N, w]
        seen[here, DEVIATION, w] = seen[here, MEAN, w] - anchor
        seen[here, DOUBT, w] = (seen[here, VARIANCE, w] + placing) / max(n, 1.0)
        older = np.rint(many - n)
        seen[here, OLDER, w], seen[here, BEFORE, w], seen[here, BEFORE_DOUBT, w] = older, np.nan, np.nan
        if older > 0:
            newer = n * seen[here, MEAN, w] if n > 0 else 0.0
            seen[here, BEFORE, w] = (many * mean - newer) / older - anchor
            seen[here, BEFORE_DOUBT, w] = (variance + placing) / older


@compiled
def heard(seen: Floats, place: Ints, use: Bools, facts: Floats, n: int, least: int, said: Floats, scratch: Floats) -> tuple[float, float]:
    """Centre and variance of the ``n`` neighbours in use over the longest window without a jump.

    seen: of ``look``, in the rows ``place``. facts: [3, n] anchor, its variance, placing. use: changed to who is heard.
    said: [2, n], filled with the variance of each one's mean that more checks average away, and that which they do not.
    A window is cut where its newer part plainly differs: by probe where enough were read in both parts, else by group.
    """
    x, v, x_new, v_new, x_old, v_old, rest = scratch[0], scratch[1], scratch[2], scratch[3], scratch[4], scratch[5], scratch[6:]
    whole = 0  # the window that is heard so far
    for w in range(1, seen.shape[2]):
        new, old, both = 0 * n, 0 * n, 0 * n
        for k in range(n):
            if not use[k]:
                continue
            of = place[k]
            checks, older, before, doubt = seen[of, N, w], seen[of, OLDER, w], seen[of, BEFORE, w], seen[of, BEFORE_DOUBT, w]
            if whole > 0:
                older = np.rint(seen[of, N, whole] - checks)
                if older > 0:
                    newer = checks * seen[of, MEAN, w] if checks > 0 else 0.0
                    before = (seen[of, N, whole] * seen[of, MEAN, whole] - newer) / older - facts[0, k]
                    doubt = (seen[of, VARIANCE, whole] + facts[2, k]) / older
            is_new, is_old, lasting = checks > 0, older > 0, facts[1, k] + WANDER
            x[both], v[both] = seen[of, DEVIATION, w] - before, seen[of, DOUBT, w] + doubt
            x_new[new], v_new[new] = seen[of, DEVIATION, w], seen[of, DOUBT, w] + lasting
            x_old[old], v_old[old] = before, doubt + lasting
            new += is_new
            old += is_old
            both += is_new and is_old
        if new < least or old < least:
            continue
        if both < least:
            now, doubt_now, _ = centre(x_new, v_new, new, rest)
            then, doubt_then, _ = centre(x_old, v_old, old, rest)
            shift, doubt = now - then, doubt_now + doubt_then
        elif middle_within(x, both, -0.5 * JUMP_AT_LEAST, 0.5 * JUMP_AT_LEAST):
            continue
        else:
            middle, usual = median(x, both), median(v, both)
            if not np.abs(middle) > 0.5 * JUMP_AT_LEAST or not np.abs(middle) > LOOK_Z * np.sqrt(usual / both):
                continue
            shift, doubt, _ = centre_about(x, v, both, middle, usual, rest)
        if np.abs(shift) > JUMP_Z * np.sqrt(doubt) and np.abs(shift) > JUMP_AT_LEAST:
            whole = w
            for k in range(n):
                use[k] = use[k] and seen[place[k], N, w] > 0
    many = 0 * n
    for k in range(n):
        said[0, k], said[1, k] = seen[place[k], DOUBT, whole], facts[1, k] + WANDER
        x[many], v[many] = seen[place[k], DEVIATION, whole], said[0, k] + said[1, k]
        many += use[k] and np.isfinite(x[many]) and np.isfinite(v[many])
    value, doubt, _ = centre(x, v, many, rest)
    return value, doubt


@compiled
def groups_part(seen: Floats, place: Ints, mates: Bools, others: Bools, facts: Floats, n: int, scratch: Floats) -> bool:
    """Whether the medians of the two groups lie apart by a standard error, over the whole window or its newest third."""
    x, v, x_others, v_others = scratch[0], scratch[1], scratch[2], scratch[3]
    for w in (WHOLE, NEWEST):
        many, rest = 0 * n, 0 * n
        for k in range(n):
            level, doubt = seen[place[k], DEVIATION, w], seen[place[k], DOUBT, w] + facts[1, k]
            x[many], v[many], x_others[rest], v_others[rest] = level, doubt, level, doubt
            many += mates[k] & np.isfinite(level)
            rest += others[k] & np.isfinite(level)
        if many == 0 or rest == 0:
            continue
        apart = np.abs(median(x, many) - median(x_others, rest))
        # A median lies between the least and the largest, which settles most and is had at a fraction of the cost.
        if not apart > np.sqrt(v[:many].min() / many + v_others[:rest].min() / rest):
            continue
        surely = apart > np.sqrt(v[:many].max() / many + v_others[:rest].max() / rest)
        if surely or apart > np.sqrt(median(v, many) / many + median(v_others, rest) / rest):
            return True
    return False


@compiled
def hear(  # noqa: PLR0915 -- one loop, written out
    lines: Timelines, source: Ints, at: Floats, probe: Ints, jig: Ints, readout: Ints, slope: Floats, unit_probe: Ints, ready: Bools,
    facts: Floats, windows: Floats, least: int,
) -> tuple[Floats, Floats, Floats, Ints]:
    """What each query hears: value, variance, lasting share of the variance, number of neighbours heard; arrays [queries].

    slope: [sources]. unit_probe, ready: [units]; facts: [3, units] anchor, its variance, placing. windows: days, the longest first.
    Quickest where queries come by source and then in time: what a timeline shows is worked out again only where a row came
    into one of its windows or left it, and what is heard only where that is so or another probe asks.
    """
    queries, offset, at_days, sums = len(at), lines.offset, lines.at_days, lines.sums
    value, variance, share, count = np.empty(queries), np.empty(queries), np.ones(queries), np.zeros(queries, np.int64)
    most = lines.most
    near, scratch, due = np.empty((3, most)), np.empty((10, most)), np.empty(most)
    seen, stands, place = np.empty((most, SHOWN, len(windows))), np.empty((most, 1 + len(windows)), np.int64), np.empty(most, np.int64)
    said, said_mates, said_others = np.empty((2, most)), np.empty((2, most)), np.empty((2, most))
    use, mates, others = np.empty(most, np.bool_), np.empty(most, np.bool_), np.empty(most, np.bool_)
    same_jig, same_readout, spoke, spoken = np.empty(most, np.bool_), np.empty(most, np.bool_), np.empty(most, np.int64), 0 * queries
    for q in range(queries):
        n = 0 * queries  # a literal 0 would have all it is handed to compiled a second time
        alike = q > 0 and source[q] == source[q - 1] and probe[q] == probe[q - 1] and jig[q] == jig[q - 1] and readout[q] == readout[q - 1]
        beside = on_readout = on_others = 0
        first, who, surest = lines.source_first[source[q]], unit_probe[0] - unit_probe[0] - 1, np.inf
        if q == 0 or source[q] != source[q - 1] or at[q] < at[q - 1]:
            stands[:, 0] = -1
        for pair in range(first, lines.source_first[source[q] + 1]):
            unit, here = lines.pair_unit[pair], pair - first
            if not ready[unit] or unit_probe[unit] == probe[q]:
                continue
            if lines.pair_from[pair] > at[q] or lines.pair_to[pair] <= at[q] - windows[0]:
                continue
            moved = (stands[here, 0] < 0 or at[q] >= due[here]) and moved_on(offset, at_days, pair, at[q], windows, stands, due, here)
            if moved or slope[source[q]] != 0.0:
                alike = False
                look(
                    sums, offset[pair], lines.base[pair], lines.pair_from[pair], at[q], slope[source[q]], facts[0, unit], facts[2, unit],
                    stands, seen, here,
                )
            if seen[here, N, 0] <= 0:
                continue
            beside_it, doubt = lines.pair_jig[pair] == jig[q], seen[here, DOUBT, WHOLE] + facts[1, unit]
            if n > 0 and unit_probe[unit] == who:  # one probe is one witness, however many windows it is read in: the surer speaks
                if (same_jig[n - 1] and not beside_it) or (same_jig[n - 1] == beside_it and doubt >= surest):
                    continue
                n -= 1
                beside -= same_jig[n]
            who, surest = unit_probe[unit], doubt
            near[0, n], near[1, n], near[2, n] = facts[0, unit], facts[1, unit], facts[2, unit]
            place[n], same_jig[n] = here, beside_it
            same_readout[n] = lines.readout[stands[here, 0] - 1] == readout[q] and readout[q] >= 0
            beside += same_jig[n]
            n += 1
        for k in range(n):
            alike, spoke[k] = alike and spoken == n and spoke[k] == place[k], place[k]
        alike, spoken = alike and spoken == n, n
        if alike:
            value[q], variance[q], share[q], count[q] = value[q - 1], variance[q - 1], share[q - 1], count[q - 1]
            continue
        for k in range(n):
            use[k] = same_jig[k] or beside < least
            mates[k], others[k] = use[k] and same_readout[k], use[k] and not same_readout[k] and readout[q] >= 0
            on_readout += mates[k]
            on_others += others[k]
        value[q], variance[q] = heard(seen, place, use, near, n, least, said, scratch)
        if on_readout >= least and on_others >= least and groups_part(seen, place, mates, others, near, n, scratch):
            mated, doubt_mated = heard(seen, place, mates, near, n, least, said_mates, scratch)
            apart, doubt_apart = heard(seen, place, others, near, n, least, said_others, scratch)
            between = max((mated - apart) ** 2, 1e-18)
            weight = min(max(1.0 - STEIN * (doubt_mated + doubt_apart) / between, 0.0), 1.0)
            value[q] = weight * mated + (1.0 - weight) * value[q]
            variance[q] = weight * doubt_mated + (1.0 - weight) * variance[q]
            if weight > 0.5:
                for k in range(n):
                    said[0, k], said[1, k], use[k] = said_mates[0, k], said_mates[1, k], mates[k]
        total = lasting = 0.0
        for k in range(n):
            if use[k]:
                count[q] += 1
                total += said[0, k] + said[1, k]
                lasting += said[1, k]
        if total > 0:
            share[q] = lasting / total
    return value, variance, share, count
