"""From counts to a response with its variance, for every check and for every state a check went through.

Dead time on gross and background, background off, decay out:

    r = (n_g − n_b) / (A₀ · 2^(−(t − t₀)/T½)),   var(ln r) = [(N_g + q) F_g²/T_g² + var(n_b)] / (n_g − n_b)²

with n true rates, N counts, T times, F = d true/d observed, q the rounding variance of a displayed rate in counts².
Repeats of one check are pooled (ΣN, ΣT); decay is averaged over the counting times. ln r is low by var/2 on average
(1/(2N) for counts alone); that much is added. A check is its sub-check's source countings with the background of
the same check, or the one `background.pair` finds.
"""

from __future__ import annotations

import numpy as np

from analytics.counting.arrays import Bools, Floats, Ints, Times, days_between, lasts_of, ratio, segmented_cumsum, starts_of
from analytics.counting.background import Blocks, Paired, pair
from analytics.counting.columns import BACKGROUND, SOURCE, Countings
from analytics.counting.dead_time import LOSS_WARNING, factor, loss, observed_rate, refused, true_rate
from analytics.counting.flags import Flag
from analytics.counting.nuclides import decay_factor
from analytics.counting.precision import ONE_SIDED_95, decision_limit_cps
from analytics.counting.subchecks import SubChecks
from analytics.counting.tables import BORROWED, GROSS, RUNNING, Responses, series_keys

# Below this net count no logarithm is taken even where no background was seen at all: k² with k = 1.645, the net
# count that Currie's detection limit asks for over a zero blank.
LEAST_NET_COUNTS = ONE_SIDED_95**2

_SUMS = ("counts", "time", "rounding", "decayed_time", "age_time", "repeats", "reseated", "derived",
         "bg_counts", "bg_time", "bg_rounding")
_ROOM = ("temperature_c", "battery_pct", "on_minutes")


def response_states(countings: Countings, group: Ints, subs: SubChecks, earlier: Blocks) -> tuple[Responses, Ints, Paired]:
    """Every check after each moment at which one of its countings came in; which rows are final; their backgrounds.

    Returns the states sorted by (series, check_at, check), the rows of the last state of every check in that order,
    and the paired backgrounds row by row.
    """
    part = (countings.measurement[subs.rows] == SOURCE) | (countings.measurement[subs.rows] == BACKGROUND)
    rows, sub = subs.rows[part], subs.of_row[part]
    start = starts_of(sub)
    sums, room = _running_sums(countings, rows, start)
    seen = sums["repeats"] > 0
    at = countings.taken_at[rows]
    # Countings of one moment (numbered repeats) come in together: one state a moment.
    ends = np.ones(len(rows), bool)
    ends[:-1] = (sub[1:] != sub[:-1]) | (at[1:] != at[:-1])
    state = np.flatnonzero(seen & ends)
    front_row = _last_front(countings, rows)[state]
    final = np.zeros(len(rows), bool)
    final[lasts_of(start, len(rows))] = True

    points, paired = _values(
        countings, group, subs, earlier, sub[state], at[state], front_row, _first_front_at(countings, rows, sub, subs)[state],
        {name: column[state] for name, column in sums.items()}, {name: column[state] for name, column in room.items()})
    order = np.lexsort((points.check, points.check_at.astype(np.int64), points.series))
    backgrounds = Paired(*(getattr(paired, name)[order] for name in Paired.__dataclass_fields__))
    return points.rows(order), np.flatnonzero(final[state][order]), backgrounds


def _running_sums(countings: Countings, rows: Ints, start: Ints) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Running sums within each sub-check, by name; and running means of room and battery columns."""
    front = (countings.measurement[rows] == SOURCE).astype(np.float64)
    blank = 1.0 - front
    counts, time_s = countings.counts[rows], countings.count_time_s[rows]
    source = countings.source[rows]
    # Mid-counting: what is left of the activity, averaged over the counting to second order.
    age = days_between(countings.taken_at[rows], countings.sources.reference_at[source]) + time_s / 172_800.0
    left = decay_factor(countings.sources.half_life_days[source], age)
    on_front = front > 0
    again = countings.reseated[rows] & on_front
    columns = {
        "counts": counts * front, "time": time_s * front, "rounding": countings.rounding_counts2[rows] * front,
        "decayed_time": np.where(on_front, time_s * left, 0.0), "age_time": np.where(on_front, time_s * age, 0.0),
        "repeats": front, "reseated": again.astype(np.float64), "derived": countings.derived[rows] * front,
        "bg_counts": counts * blank, "bg_time": time_s * blank, "bg_rounding": countings.rounding_counts2[rows] * blank,
    }
    stated = {}
    for name in _ROOM:
        value = getattr(countings, name)[rows]
        known = on_front & ~np.isnan(value)
        if known.any():
            stated[name] = np.column_stack((np.where(known, value, 0.0), known.astype(np.float64)))
    table = np.column_stack([*(columns[name] for name in _SUMS), *stated.values()])
    running = segmented_cumsum(table, start)
    sums = {name: running[:, i] for i, name in enumerate(_SUMS)}
    sums["reseated"] = np.maximum(sums["reseated"] - _first_reseated(again, on_front, rows, start), 0.0)
    nothing = np.full(len(rows), np.nan)
    room = dict.fromkeys(_ROOM, nothing)
    for i, name in enumerate(stated):
        at = len(_SUMS) + 2 * i
        room[name] = ratio(running[:, at], running[:, at + 1])
    return sums, room


def _first_reseated(again: Bools, on_front: Bools, rows: Ints, start: Ints) -> Floats:
    """1 where the sub-check's first source counting itself says reseated: that one is the first placement."""
    first = np.full(len(start), len(rows), np.int64)
    segment = np.repeat(np.arange(len(start)), np.diff(np.append(start, len(rows))))
    fronts = np.flatnonzero(on_front)
    owner = segment[fronts]
    heads = starts_of(owner)
    first[owner[heads]] = fronts[heads]
    flagged = np.zeros(len(start))
    has = first < len(rows)
    flagged[has] = again[first[has]]
    return flagged[segment]


def _last_front(countings: Countings, rows: Ints) -> Ints:
    """Row of the latest source counting at or before each row (of the same sub-check, once one was seen)."""
    here = np.where(countings.measurement[rows] == SOURCE, np.arange(len(rows)), -1)
    return rows[np.maximum(np.maximum.accumulate(here), 0)] if len(rows) else rows


def _first_front_at(countings: Countings, rows: Ints, sub: Ints, subs: SubChecks) -> Times:
    fronts = countings.measurement[rows] == SOURCE
    owner = sub[fronts]
    first = np.full(len(subs), np.datetime64("NaT", "us"))
    head = starts_of(owner)
    first[owner[head]] = countings.taken_at[rows[fronts]][head]
    return first[sub]


def _values(
    countings: Countings, group: Ints, subs: SubChecks, earlier: Blocks, sub: Ints, at: Times, front_row: Ints,
    first_at: Times, sums: dict[str, Floats], room: dict[str, Floats],
) -> tuple[Responses, Paired]:
    probe, window, source = subs.probe[sub], subs.window[sub], subs.source[sub]
    tau, model = countings.probes.dead_time_s[probe], countings.probes.dead_time_model[probe]
    owner = probe.astype(np.int64) * (len(countings.names.window) + 1) + window
    paired = pair(
        subs.group[sub], owner, at, sums["bg_counts"], sums["bg_time"], sums["bg_rounding"], tau, model, earlier)

    counts, time_s, rounding = sums["counts"], sums["time"], sums["rounding"]
    observed = counts / time_s
    gross = true_rate(observed, tau, model)
    slope = factor(gross, tau, model)
    net = gross - paired.rate_cps
    limit = decision_limit_cps(paired.rate_cps, time_s, paired.rate_var)
    silent = (net <= limit) | (net * time_s < LEAST_NET_COUNTS)
    per_counts2 = slope**2 / time_s**2
    net_var = (counts + rounding) * per_counts2 + paired.rate_var

    table = countings.sources
    decay = sums["decayed_time"] / time_s
    activity = table.activity_kbq[source]
    has_activity = ~np.isnan(activity)
    response = net / (decay * np.where(has_activity, activity, 1.0))
    usable = ~silent & ~np.isnan(response)
    safe = np.where(usable, net, 1.0)
    log_var = np.where(usable, net_var / safe**2, np.nan)
    log_response = np.log(np.where(usable, response, 1.0)) + 0.5 * log_var
    age = sums["age_time"] / time_s
    half_life, half_life_sd = table.half_life_days[source], table.half_life_sd_days[source]

    keys, series = series_keys((probe, window, subs.jig[sub], subs.collimator[sub], table.nuclide[source]))
    lost = loss(observed, gross)
    flags = (
        np.where(paired.kind == GROSS, Flag.GROSS, 0) | np.where(paired.kind == BORROWED, Flag.BORROWED_BACKGROUND, 0)
        | np.where(paired.kind == RUNNING, Flag.RUNNING_BACKGROUND, 0)
        | np.where(lost > LOSS_WARNING, Flag.DEAD_TIME_LOSS, 0) | np.where(age < 0, Flag.BEFORE_REFERENCE, 0)
        | np.where(refused(observed, tau, model), Flag.BRANCH_REFUSED, 0) | np.where(silent, Flag.NO_SIGNAL, 0)
        | np.where(np.isnan(half_life), Flag.NO_HALF_LIFE, 0) | np.where(sums["derived"] > 0, Flag.DERIVED, 0)
        | np.where(has_activity, 0, Flag.NO_ACTIVITY)).astype(np.int32)
    points = Responses(
        keys=keys, series=series, check=sub, check_at=at, first_at=first_at, source=source, jig=subs.jig[sub],
        readout=countings.readout[front_row], operator=countings.operator[front_row], **room,
        repeats=sums["repeats"].astype(np.int32), placements=(1 + sums["reseated"]).astype(np.int32),
        gross_counts=counts, gross_time_s=time_s, background_counts=paired.counts, background_time_s=paired.time_s,
        background_kind=paired.kind, background_cps=paired.rate_cps, background_var_cps2=paired.rate_var, net_cps=net,
        dead_time_s=tau, dead_time_model=model, dead_time_loss=lost, dead_time_factor=slope, age_days=age,
        decay_factor=decay, activity_kbq=activity, response=response, log_response=log_response, log_var=log_var,
        rounding_var=np.where(usable, rounding * per_counts2 / safe**2, np.nan), rounding_counts2=rounding,
        half_life_var=(np.log(2.0) * age / half_life * half_life_sd / half_life) ** 2, decision_limit_cps=limit,
        no_signal=silent, chi_square=np.full(len(sub), np.nan), chi_square_dof=np.zeros(len(sub), np.int32), flags=flags)
    return points, paired


def expected_log_var(points: Responses, expected_log_response: Floats) -> Floats:
    """Counting variance of ln(response) that each point would have, were its response as expected. Shape (rows,).

    expected_log_response: ln of the expected response in the point's own unit, broadcast over the points. The counts
    expected from it, the decay, the background and the dead time stand for the observed ones: weights from observed
    counts follow the noise (a low count looks sure of itself) and bias a mean by −/+0.5 % at 100–200 counts.
    NaN where expectation, decay or dead time are not known, or the expected rate lies beyond the dead-time model.
    """
    scale = points.decay_factor * np.where(np.isnan(points.activity_kbq), 1.0, points.activity_kbq)
    net = np.exp(expected_log_response) * scale
    gross = net + points.background_cps
    expected_counts = observed_rate(gross, points.dead_time_s, points.dead_time_model) * points.gross_time_s
    slope = factor(gross, points.dead_time_s, points.dead_time_model)
    counting = (expected_counts + points.rounding_counts2) * slope**2 / points.gross_time_s**2
    return ratio(counting + points.background_var_cps2, net**2)


