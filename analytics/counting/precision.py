"""How sure a count is: limits of chi-square, decision and detection limits, ratios, counting times, weak sources."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from analytics.counting.arrays import Floats, Ints

ONE_SIDED_95 = 1.6448536269514722  # quantile of the normal distribution


def decision_limit_cps(background_cps: Floats, gross_time_s: Floats, background_var: Floats) -> Floats:
    """Net rate (1/s) above which a signal is taken as there, at 5 % false claims: Currie's L_C for unequal times.

    L_C = 1.645·√(b/T_g + var(b)): without a source the gross rate has the background's own spread. For equal times
    this is 2.33·√B in counts. Source: Currie, Anal Chem 1968;40:586, paired blank.

    >>> (decision_limit_cps(np.array([10.0]), np.array([10.0]), np.array([1.0])) * 10).round(1).tolist()
    [23.3]
    """
    with np.errstate(invalid="ignore"):
        out: Floats = ONE_SIDED_95 * np.sqrt(np.maximum(background_cps, 0.0) / gross_time_s + background_var)
    return out


def currie_limits(background_counts: float, time_ratio: float = 1.0) -> tuple[float, float]:
    """(L_C, L_D) in net counts for a blank counted ``time_ratio`` times as long as the sample (1: paired).

    L_C = 1.645·√(B′(1 + 1/ρ)), L_D = 2.71 + 2·L_C, with B′ the blank counts in the sample's time. Source: Currie 1968.

    >>> [round(one, 1) for one in currie_limits(100.0)]
    [23.3, 49.2]
    """
    blank = background_counts / time_ratio
    critical = ONE_SIDED_95 * float(np.sqrt(blank * (1.0 + 1.0 / time_ratio)))
    return critical, ONE_SIDED_95**2 + 2.0 * critical


def chi_square(counts: Floats) -> tuple[float, int]:
    """Σ(N − mean)²/mean of raw counts of equal times and n − 1; NaN and 0 for fewer than two or nothing counted.

    >>> chi_square(np.array([95.0, 105.0]))
    (0.5, 1)
    """
    counts = np.asarray(counts, np.float64)
    mean = float(counts.mean()) if len(counts) else 0.0
    if len(counts) < 2 or mean <= 0:
        return float("nan"), 0
    return float(((counts - mean) ** 2).sum() / mean), len(counts) - 1


def chi_square_limits(dof: Ints | int, coverage: float) -> tuple[Floats, Floats]:
    """Lower and upper limit that hold this share of sound repeats, the rest split evenly over both ends.

    Too low is a fault as well: counts that vary less than chance allows are not counts.

    >>> [round(float(one), 3) for one in chi_square_limits(9, 0.90)]
    [3.325, 16.919]
    """
    from scipy.special import chdtri

    tail = 0.5 * (1.0 - coverage)
    freedom = np.asarray(dof, np.float64)
    return np.asarray(chdtri(freedom, 1.0 - tail)), np.asarray(chdtri(freedom, tail))


def chi_square_probability(value: Floats | float, dof: Ints | int) -> Floats:
    """Chance of a chi-square at least this large among sound repeats.

    >>> round(float(chi_square_probability(33.0, 19)), 3)
    0.024
    """
    from scipy.special import chdtrc

    return np.asarray(chdtrc(np.asarray(dof, np.float64), np.asarray(value, np.float64)))


def difference(first: float, first_sd: float, second: float, second_sd: float) -> tuple[float, float, float]:
    """The difference first − second, its standard deviation, and how many of those it is from zero.

    >>> [round(one, 3) for one in difference(10_300.0, 10_300.0**0.5, 10_000.0, 100.0)]
    [300.0, 142.478, 2.106]
    """
    gap, sd = first - second, float(np.hypot(first_sd, second_sd))
    return gap, sd, gap / sd if sd > 0 else float("nan")


def quotient(first: float, first_sd: float, second: float, second_sd: float) -> tuple[float, float]:
    """The quotient first/second and its standard deviation, relative variances added.

    >>> [round(one, 4) for one in quotient(38_000.0, 205.0, 89_000.0, 302.0)]
    [0.427, 0.0027]
    """
    value = first / second
    return value, abs(value) * float(np.hypot(first_sd / first, second_sd / second))


def counting_time_s(net_cps: float, background_cps: float, relative_sd: float, *, paired: bool = True) -> float:
    """Time (s) after which the net rate is known to this relative standard deviation.

    T = (n_net + 2·n_b)/(n_net·u)² where the background is counted as long (``paired``), else with n_b once: then it is
    taken as known. inf where there is no net rate.

    >>> round(counting_time_s(167.0, 0.0, 0.01), 1)
    59.9
    """
    if not net_cps > 0 or (net_cps * relative_sd) ** 2 == 0.0:  # a source that is long gone gives a rate whose square is none
        return float("inf")
    return (net_cps + (2.0 if paired else 1.0) * background_cps) / (net_cps * relative_sd) ** 2


def rate_needed_cps(count_time_s: float, relative_sd: float, background_cps: float = 0.0) -> float:
    """Net rate (1/s) that gives this relative standard deviation in this time, the background counted as long.

    Solves n²·u²·T = n + 2·b.

    >>> round(rate_needed_cps(10.0, 0.03), 1)
    111.1
    """
    a = relative_sd**2 * count_time_s
    return float((1.0 + np.sqrt(1.0 + 8.0 * a * background_cps)) / (2.0 * a))


def too_weak_at(
    rate_cps: float, at: datetime, half_life_days: float, *, count_time_s: float = 10.0, relative_sd: float = 0.03,
    background_cps: float = 0.0,
) -> datetime | None:
    """When a source that gives ``rate_cps`` (net) at ``at`` no longer reaches 3 % in 10 s; before ``at`` if already so.

    None where rate or half-life are not known, or the day lies beyond the calendar.

    >>> too_weak_at(10_000.0, datetime(2024, 1, 1), 271.74).date().isoformat()
    '2028-10-30'
    """
    if not (rate_cps > 0 and half_life_days > 0):
        return None
    days = half_life_days * float(np.log2(rate_cps / rate_needed_cps(count_time_s, relative_sd, background_cps)))
    try:
        return at + timedelta(days=days)
    except OverflowError:
        return None
