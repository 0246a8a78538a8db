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
STEEP_PER_DAY, STEEP_Z = 0.3 / 365.0, 5.0  # a source whose record is grossly wrong: its slope is followed
LOOK_Z = 1.5  # median shifts within this many standard errors are not looked at further: most are, and it saves the time
STEIN = 1.5  # of the squared error that the gap between control units must exceed before it counts
WHOLE, NEWEST = 0, 2  # views over which control units are compared: the whole window and its newest third


@compiled
def median(values: Floats, n: int) -> float:
    """Median of the first ``n`` values, which are put in order; NaN for none."""
    if n == 0:
        return np.nan
    for i in range(1, n):
        value = values[i]
        j = i - 1
        while j >= 0 and values[j] > value:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = value
    return float(0.5 * (values[(n - 1) // 2] + values[n // 2]))


@compiled
def centre(x: Floats, v: Floats, n: int, scratch: Floats) -> tuple[float, float, float]:
    """Biweight centre of ``n`` known values with variances ``v``: value, variance, effective number. scratch: [4, n or more]."""
    if n == 0:
        return np.nan, np.inf, 0.0
    order, precision, residual, scale = scratch[0], scratch[1], scratch[2], scratch[3]
    for i in range(n):
        order[i] = x[i]
        precision[i] = v[i]
    value = median(order, n)
    typical = np.sqrt(median(precision, n))
    for i in range(n):
        order[i] = np.abs(x[i] - value)
    spread = 1.4826 * median(order, n)
    extra = 0.0 if n <= 3 else max(spread**2 - typical**2, 0.0)
    whole = 0.0
    for i in range(n):
        # None weighs more than four times the typical one: a neighbour with thousands of counts is still one probe that may drift.
        precision[i] = 1.0 / max(v[i] + extra, 0.25 * typical**2)
        whole += precision[i]
        scale[i] = np.sqrt(max(v[i] + extra, 1e-18))
    total = squares = 0.0
    for _ in range(STEPS):
        total = squares = weighted = 0.0
        for i in range(n):
            residual[i] = (x[i] - value) / scale[i]
            if np.abs(residual[i]) < TUKEY_C:
                weight = precision[i] * (1.0 - (residual[i] / TUKEY_C) ** 2) ** 2
                total += weight
                weighted += weight * x[i]
                squares += weight**2
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
    if n > 3:
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
def window_means(
    offset: Ints, at_days: Floats, sums: Floats, base: Floats, pair_from: Floats, pair: int, at: float, windows: Floats, slope: float,
    views: Floats, k: int,
) -> int:
    """Checks, mean, variance and mean day of one timeline in each window up to ``at``, into views[:, window, k].

    sums: [rows, 4] running number, log response, variance, days. slope: the mean is carried to ``at`` by it. Returns the row
    after the newest one in the longest window, 0 where there is none.
    """
    begin = offset[pair]
    high = upto(at_days, begin, offset[pair + 1], at)
    low, newest = begin, 0
    for w in range(len(windows)):
        low = upto(at_days, low, high, at - windows[w])
        views[0, w, k], views[1, w, k], views[2, w, k], views[3, w, k] = 0.0, np.nan, np.nan, np.nan
        if high == begin:
            continue
        n = np.rint(inside(sums, 0, begin, low, high))
        if n <= 0:
            continue
        when = inside(sums, 3, begin, low, high) / n + pair_from[pair]
        mean = inside(sums, 1, begin, low, high) / n + base[pair]
        if slope != 0.0:
            mean += slope * (at - when)
        views[0, w, k], views[1, w, k], views[3, w, k] = n, mean, when
        views[2, w, k] = max(inside(sums, 2, begin, low, high), 0.0) / n
        if w == 0:
            newest = high
    return newest


@compiled
def gap(after: Floats, before: Floats, v_after: Floats, v_before: Floats, lasting: Floats, n: int, least: int, scratch: Floats) -> tuple[float, float]:
    """Difference of the two parts of a window and its variance, 0 and 1 where it is not worth a look.

    By probe where enough were read in both parts, else by group. NaN marks who was not read in a part.
    """
    x, v, rest = scratch[0], scratch[1], scratch[2:]
    both = 0 * n
    for k in range(n):
        if np.isfinite(after[k]) and np.isfinite(before[k]):
            x[both], v[both] = after[k] - before[k], v_after[k] + v_before[k]
            both += 1
    if both >= least:
        for k in range(both):
            rest[0, k], rest[1, k] = x[k], v[k]
        middle = np.abs(median(rest[0], both))
        if not middle > 0.5 * JUMP_AT_LEAST or not middle > LOOK_Z * np.sqrt(median(rest[1], both) / both):
            return 0.0, 1.0
        value, variance, _ = centre(x, v, both, rest)
        return value, variance
    value = variance = 0.0
    for sign, part, spread in ((1.0, after, v_after), (-1.0, before, v_before)):
        many = 0 * n
        for k in range(n):
            if np.isfinite(part[k]) and np.isfinite(spread[k] + lasting[k]):
                x[many], v[many] = part[k], spread[k] + lasting[k]
                many += 1
        one, doubt, _ = centre(x, v, many, rest)
        value += sign * one
        variance += doubt
    return value, variance


@compiled
def heard(views: Floats, use: Bools, facts: Floats, n: int, least: int, said: Floats, scratch: Floats) -> tuple[float, float]:
    """Centre and variance of the ``n`` neighbours in use over the longest window without a jump.

    views: [4, windows, n] of ``window_means``. facts: [3, n] anchor, its variance, placing. use: changed to who is heard.
    said: [2, n], filled with the variance of each one's mean that more checks average away, and that which they do not.
    """
    checks, mean, variance = scratch[0], scratch[1], scratch[2]
    after, before, v_after, v_before, lasting, rest = scratch[3], scratch[4], scratch[5], scratch[6], scratch[7], scratch[8:]
    for k in range(n):
        checks[k], mean[k], variance[k] = views[0, 0, k], views[1, 0, k], views[2, 0, k]
        lasting[k] = facts[1, k] + WANDER
    for w in range(1, views.shape[1]):
        new = old = 0
        for k in range(n):
            new += use[k] and views[0, w, k] > 0
            old += use[k] and np.rint(checks[k] - views[0, w, k]) > 0
        if new < least or old < least:
            continue
        for k in range(n):
            older = np.rint(checks[k] - views[0, w, k])
            is_new, is_old = use[k] and views[0, w, k] > 0, use[k] and older > 0
            many = older if is_old else 1.0
            after[k] = before[k] = np.nan
            if is_new:
                after[k] = views[1, w, k] - facts[0, k]
            if is_old:
                newer = views[0, w, k] * views[1, w, k] if is_new else 0.0
                before[k] = (checks[k] * mean[k] - newer) / many - facts[0, k]
            v_before[k] = (variance[k] + facts[2, k]) / many
            v_after[k] = (views[2, w, k] + facts[2, k]) / max(views[0, w, k], 1.0)
        shift, doubt = gap(after, before, v_after, v_before, lasting, n, least, rest)
        if np.abs(shift) > JUMP_Z * np.sqrt(doubt) and np.abs(shift) > JUMP_AT_LEAST:
            for k in range(n):
                use[k] = use[k] and views[0, w, k] > 0
                checks[k], mean[k], variance[k] = views[0, w, k], views[1, w, k], views[2, w, k]
    many = 0 * n
    for k in range(n):
        said[0, k], said[1, k] = (variance[k] + facts[2, k]) / max(checks[k], 1.0), lasting[k]
        both = said[0, k] + said[1, k]
        if use[k] and np.isfinite(mean[k] - facts[0, k]) and np.isfinite(both):
            after[many], v_after[many] = mean[k] - facts[0, k], both
            many += 1
    value, doubt, _ = centre(after, v_after, many, rest)
    return value, doubt


@compiled
def groups_part(views: Floats, mates: Bools, others: Bools, facts: Floats, n: int, scratch: Floats) -> bool:
    """Whether the medians of the two groups lie apart by a standard error, over the whole window or its newest third."""
    for w in (WHOLE, NEWEST):
        apart = error = 0.0
        for sign, group in ((1.0, mates), (-1.0, others)):
            many = 0 * n
            for k in range(n):
                residual = views[1, w, k] - facts[0, k]
                if group[k] and np.isfinite(residual):
                    scratch[0, many] = residual
                    scratch[1, many] = (views[2, w, k] + facts[2, k]) / max(views[0, w, k], 1.0) + facts[1, k]
                    many += 1
            apart += sign * median(scratch[0], many)
            error += median(scratch[1], many) / max(many, 1)
        if np.abs(apart) > np.sqrt(error):  # NaN compares false
            return True
    return False


@compiled
def hear(
    lines: Timelines, source: Ints, at: Floats, probe: Ints, jig: Ints, readout: Ints, slope: Floats, unit_probe: Ints, ready: Bools,
    facts: Floats, windows: Floats, least: int,
) -> tuple[Floats, Floats, Floats, Ints]:
    """What each query hears: value, variance, lasting share of the variance, number of neighbours heard; arrays [queries].

    slope: [sources]. unit_probe, ready: [units]; facts: [3, units] anchor, its variance, placing. windows: days, the longest first.
    """
    queries = len(at)
    value, variance, share, count = np.empty(queries), np.empty(queries), np.ones(queries), np.zeros(queries, np.int64)
    most = lines.most
    views, near, scratch = np.empty((4, len(windows), most)), np.empty((3, most)), np.empty((14, most))
    said, said_mates, said_others = np.empty((2, most)), np.empty((2, most)), np.empty((2, most))
    use, mates, others = np.empty(most, np.bool_), np.empty(most, np.bool_), np.empty(most, np.bool_)
    same_jig, same_readout = np.empty(most, np.bool_), np.empty(most, np.bool_)
    for q in range(queries):
        n = 0 * queries  # a literal 0 would have all it is handed to compiled a second time
        beside = on_readout = on_others = 0
        for pair in range(lines.source_first[source[q]], lines.source_first[source[q] + 1]):
            unit = lines.pair_unit[pair]
            if not ready[unit] or unit_probe[unit] == probe[q]:
                continue
            if lines.pair_from[pair] > at[q] or lines.pair_to[pair] <= at[q] - windows[0]:
                continue
            newest = window_means(
                lines.offset, lines.at_days, lines.sums, lines.base, lines.pair_from, pair, at[q], windows, slope[source[q]], views, n
            )
            if newest == 0:
                continue
            near[0, n], near[1, n], near[2, n] = facts[0, unit], facts[1, unit], facts[2, unit]
            same_jig[n] = lines.pair_jig[pair] == jig[q]
            same_readout[n] = lines.readout[newest - 1] == readout[q] and readout[q] >= 0
            beside += same_jig[n]
            n += 1
        for k in range(n):
            use[k] = same_jig[k] or beside < least
            mates[k], others[k] = use[k] and same_readout[k], use[k] and not same_readout[k] and readout[q] >= 0
            on_readout += mates[k]
            on_others += others[k]
        value[q], variance[q] = heard(views, use, near, n, least, said, scratch)
        if on_readout >= least and on_others >= least and groups_part(views, mates, others, near, n, scratch):
            mated, doubt_mated = heard(views, mates, near, n, least, said_mates, scratch)
            apart, doubt_apart = heard(views, others, near, n, least, said_others, scratch)
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


@compiled
def slopes(lines: Timelines, at: float, ready: Bools, placing: Floats, windows: Floats, least: int) -> Floats:
    """Common slope of each source, a day, between its two older windows and within its newer one: [2, sources]; NaN: not plain and steep.

    windows: three, days, the longest first. ready, placing: [units].
    """
    sources = len(lines.source_first) - 1
    out = np.empty((2, sources))
    most = lines.most
    views, x, v, scratch = np.empty((4, len(windows), most)), np.empty(most), np.empty(most), np.empty((4, most))
    unit = np.empty(most, np.int64)
    for source in range(sources):
        n = 0 * sources
        for pair in range(lines.source_first[source], lines.source_first[source + 1]):
            unit[n] = lines.pair_unit[pair]
            if not ready[unit[n]] or lines.pair_from[pair] > at or lines.pair_to[pair] <= at - windows[0]:
                continue
            n += window_means(
                lines.offset, lines.at_days, lines.sums, lines.base, lines.pair_from, pair, at, windows, 0.0, views, n
            ) > 0
        for which in range(2):
            both, many = 0, 0 * n
            for k in range(n):
                wide, late = views[0, which, k], views[0, which + 1, k]
                older = np.rint(wide - late)
                if late <= 0 or older <= 0:
                    continue
                both += 1
                apart = views[3, which + 1, k] - (wide * views[3, which, k] - late * views[3, which + 1, k]) / older
                if apart <= 0:
                    continue
                shift = views[1, which + 1, k] - (wide * views[1, which, k] - late * views[1, which + 1, k]) / older
                known = placing[unit[k]]
                error = (views[2, which + 1, k] + known) / max(late, 1.0) + (views[2, which, k] + known) / older
                x[many], v[many] = shift / apart, error / apart**2
                many += 1
            value, variance, _ = centre(x, v, many, scratch)
            out[which, source] = np.nan
            if both >= least and np.abs(value) > STEEP_Z * np.sqrt(variance) and np.abs(value) > STEEP_PER_DAY:
                out[which, source] = value
    return out
