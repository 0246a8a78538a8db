"""From counts to a response with its variance, for every check and for every state a check went through.

Dead time on gross and background, background off, decay out:

    r = (n_g − n_b) / (A₀ · 2^(−(t − t₀)/T½)),   var(ln r) = [(N_g + q) F_g²/T_g² + var(n_b)] / (n_g − n_b)²

with n true rates, N counts, T times, F = d true/d observed, q the rounding variance of a displayed rate in counts².
Repeats of one check are pooled (ΣN, ΣT); decay is averaged over the counting times. ln r is low by var/2 on average
(1/(2N) for counts alone); that much is added.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from analytics.counting.arrays import Bools, Codes, Floats, Ints, Kinds, Times, in_order, ratio
from analytics.counting.background import Blocks, Paired, pair
from analytics.counting.columns import Countings
from analytics.counting.dead_time import LOSS_WARNING, factor, loss, observed_rate, refused, true_rate
from analytics.counting.flags import Flag
from analytics.counting.nuclides import MOST_HALF_LIVES
from analytics.counting.precision import ONE_SIDED_95, decision_limit_cps
from analytics.counting.states import States, check_states
from analytics.counting.subchecks import SubChecks
from analytics.counting.tables import BORROWED, GROSS, RUNNING, Responses, series_keys

# Below this net count no logarithm is taken even where no background was seen at all: k² with k = 1.645, the net
# count that Currie's detection limit asks for over a zero blank.
LEAST_NET_COUNTS = ONE_SIDED_95**2


def response_states(countings: Countings, subs: SubChecks, earlier: Blocks) -> tuple[Responses, Ints, Paired]:
    """Every check after each moment at which one of its countings came in.

    Returns the states sorted by (series, check_at, check), the rows of the last state of every check in that order,
    and the paired backgrounds row by row.
    """
    states = check_states(countings, subs)
    points, paired = _values(countings, subs, earlier, states)
    order = point_order(points.series, points.check_at, points.check)
    if order is None:
        return points, np.flatnonzero(states.is_last), paired
    sorted_pairs = Paired(*(getattr(paired, name)[order] for name in Paired.__dataclass_fields__))
    return points.rows(order), np.flatnonzero(states.is_last[order]), sorted_pairs


def point_order(series: Codes, check_at: Times, check: Ints) -> Ints | None:
    """Order by (series, check_at, check); None where the rows stand so already."""
    time = check_at.astype(np.int64)
    return None if in_order(series, time, check) else np.lexsort((check, time, series))


def _values(countings: Countings, subs: SubChecks, earlier: Blocks, states: States) -> tuple[Responses, Paired]:
    sub, time_s = states.check, states.time_s
    probe, source = subs.probe[sub], subs.source[sub]
    tau, model = countings.probes.dead_time_s[probe], countings.probes.dead_time_model[probe]
    owner = probe.astype(np.int64) * (len(countings.names.window) + 1) + subs.window[sub]
    paired = pair(
        subs.group[sub], owner, states.at, states.background_counts, states.background_time_s,
        states.background_rounding, tau, model, earlier)

    observed = states.counts / time_s
    gross = true_rate(observed, tau, model)
    slope = factor(gross, tau, model)
    net = gross - paired.rate_cps
    limit = decision_limit_cps(paired.rate_cps, time_s, paired.rate_var)
    silent = (net <= limit) | (net * time_s < LEAST_NET_COUNTS)
    per_counts2 = slope**2 / time_s**2
    net_var = (states.counts + states.rounding_counts2) * per_counts2 + paired.rate_var

    table = countings.sources
    decay = states.decayed_time_s / time_s
    activity = table.activity_kbq[source]
    response = net / (decay * np.where(np.isnan(activity), 1.0, activity))
    usable = ~silent & ~np.isnan(response)
    safe = np.where(usable, net, 1.0)
    log_var = np.where(usable, net_var / safe**2, np.nan)
    age = states.age_time / time_s
    half_life, half_life_sd = table.half_life_days[source], table.half_life_sd_days[source]
    lost = loss(observed, gross)
    keys, series = series_keys((subs.probe, subs.window, subs.jig, subs.collimator, table.nuclide[subs.source]))
    flags = _flags(paired, {
        Flag.DEAD_TIME_LOSS: lost > LOSS_WARNING, Flag.BEFORE_REFERENCE: age < 0,
        Flag.BRANCH_REFUSED: refused(observed, tau, model), Flag.NO_SIGNAL: silent,
        Flag.NO_HALF_LIFE: np.isnan(half_life), Flag.DECAYED_AWAY: np.abs(age) > MOST_HALF_LIVES * half_life,
        Flag.DERIVED: states.derived > 0, Flag.NO_ACTIVITY: np.isnan(activity)})
    points = Responses(
        keys=keys, series=series[sub], check=sub, check_at=states.at, first_at=states.first_at, source=source,
        jig=subs.jig[sub], readout=countings.readout[states.latest_front],
        operator=countings.operator[states.latest_front], temperature_c=states.temperature_c,
        battery_pct=states.battery_pct, on_minutes=states.on_minutes, repeats=states.repeats.astype(np.int32),
        placements=(1 + states.reseated).astype(np.int32), gross_counts=states.counts, gross_time_s=time_s,
        background_counts=paired.counts, background_time_s=paired.time_s, background_kind=paired.kind,
        background_cps=paired.rate_cps, background_var_cps2=paired.rate_var, net_cps=net, dead_time_s=tau,
        dead_time_model=model, dead_time_loss=lost, dead_time_factor=slope, age_days=age, decay_factor=decay,
        activity_kbq=activity, response=response,
        log_response=np.log(np.where(usable, response, 1.0)) + 0.5 * log_var, log_var=log_var,
        rounding_var=np.where(usable, states.rounding_counts2 * per_counts2 / safe**2, np.nan),
        rounding_counts2=states.rounding_counts2,
        half_life_var=(np.log(2.0) * age / half_life * half_life_sd / half_life) ** 2, decision_limit_cps=limit,
        no_signal=silent, chi_square=np.full(len(sub), np.nan), chi_square_dof=np.zeros(len(sub), np.int32),
        flags=flags)
    return points, paired


def _flags(paired: Paired, conditions: dict[Flag, Bools]) -> Codes:
    out = np.zeros(len(paired.kind), np.int32)
    kinds = {Flag.GROSS: GROSS, Flag.BORROWED_BACKGROUND: BORROWED, Flag.RUNNING_BACKGROUND: RUNNING}
    for flag, kind in kinds.items():
        out[paired.kind == kind] |= int(flag)
    for flag, holds in conditions.items():
        out[holds] |= int(flag)
    return out


@dataclass(frozen=True)
class CountingOf:
    """What the counting variance of response points is made of; arrays [rows], as in ``Responses``."""

    decay_factor: Floats
    activity_kbq: Floats
    background_cps: Floats
    background_var_cps2: Floats
    rounding_counts2: Floats
    gross_time_s: Floats
    dead_time_s: Floats
    dead_time_model: Kinds

    @classmethod
    def states(cls, points: Responses) -> CountingOf:
        """That of these points."""
        return cls(**{one.name: getattr(points, one.name) for one in fields(cls)})

    def rows(self, index: Ints) -> CountingOf:
        """Some of them."""
        return CountingOf(**{one.name: getattr(self, one.name)[index] for one in fields(self)})


def expected_log_var(points: Responses | CountingOf, expected_log_response: Floats) -> Floats:
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
