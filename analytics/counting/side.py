"""What comes in from the side: counts beside the shielded shaft over those in front, both with the background off."""

from __future__ import annotations

import numpy as np

from analytics.counting.arrays import Ints
from analytics.counting.columns import SIDE, Countings
from analytics.counting.flags import Flag
from analytics.counting.pooled import pool
from analytics.counting.precision import decision_limit_cps
from analytics.counting.response import LEAST_NET_COUNTS
from analytics.counting.subchecks import SubChecks
from analytics.counting.tables import Responses, Sides, series_keys


def side_points(countings: Countings, subs: SubChecks, final: Responses) -> Sides:
    """One point a check with a side counting and a front with a signal; ``final`` gives front and background.

    side = (n_s − n_b)/(n_f − n_b) in per cent. The background stands in both, so its part of the variance is
    ((s − 1)/n_front)²·var(n_b): it all but cancels where the side sees as much as the front.
    """
    beside = pool(countings, subs, SIDE)
    front = by_check(final, len(subs))
    sub = np.flatnonzero((beside.time_s > 0) & (front >= 0))
    sub = sub[~final.no_signal[front[sub]] & (final.net_cps[front[sub]] > 0)]
    at = front[sub]
    net_front, blank, blank_var = final.net_cps[at], final.background_cps[at], final.background_var_cps2[at]
    net_side = beside.rate_cps[sub] - blank
    share = net_side / net_front
    per_count = final.dead_time_factor[at] / final.gross_time_s[at]
    front_var = (final.gross_counts[at] + final.rounding_counts2[at]) * per_count**2
    variance = (beside.rate_var[sub] + share**2 * front_var + (1.0 - share) ** 2 * blank_var) / net_front**2
    limit = decision_limit_cps(blank, beside.time_s[sub], blank_var)
    seen = (net_side > limit) & (net_side * beside.time_s[sub] >= LEAST_NET_COUNTS)
    safe = np.where(seen, share, 1.0)
    log_var = np.where(seen, variance / safe**2, np.nan)
    nuclide = countings.sources.nuclide[subs.source[sub]]
    keys, series = series_keys((subs.probe[sub], subs.window[sub], subs.jig[sub], subs.collimator[sub], nuclide))
    points = Sides(
        keys=keys, series=series, check=sub, check_at=np.maximum(final.check_at[at], beside.last_at[sub]),
        source=subs.source[sub], jig=subs.jig[sub], readout=beside.readout[sub], side_counts=beside.counts[sub],
        side_time_s=beside.time_s[sub], side_pct=100.0 * share, side_var_pct2=1e4 * variance,
        log_side=np.where(seen, np.log(safe) + 0.5 * log_var, np.nan), log_var=log_var,
        flags=(final.flags[at] & ~np.int32(Flag.NO_SIGNAL)) | np.where(seen, 0, Flag.NO_SIGNAL).astype(np.int32))
    return points.rows(np.lexsort((points.check, points.check_at.astype(np.int64), points.series)))


def by_check(final: Responses, size: int) -> Ints:
    """Row of each check's response, −1 where it has none."""
    out = np.full(size, -1, np.int64)
    out[final.check] = np.arange(len(final))
    return out
