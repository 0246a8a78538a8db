"""How often a chart is wrong, and how late it is right: mean run lengths, their quantiles, thresholds for a wanted one.

Everything is computed, nothing simulated or tabulated. Readings are independent N(mean, 1), so shifts, drifts, k and h
are in sigma of a reading; a shift is a constant mean, a drift a mean of drift·t at reading t = 1, 2, …; the signalling
reading is counted. The methods stand with the charts in ``run_lengths/``, one chart a file; the thresholds for a wanted
mean run length in ``run_lengths/thresholds.py``.

Common to the functions below:

shifts, drifts
    The answers come in this order, shifts first. A run length that has no mean (an upper CUSUM under a falling mean) or
    lies beyond 1e300 is ``math.inf``.
after
    The change comes after so many readings of mean 0 without a signal, and the delay counts from there;
    ``math.inf``: the conditional steady state. 0, the default, is the zero state.
drift_from
    The t of the first reading under drift: 1, or 0 where a table counts from there.

A parameter out of its range raises ``UserError``.
"""

from __future__ import annotations

from collections.abc import Sequence

from analytics.charts.run_lengths.checked import at_least, between, one_of, readings
from analytics.charts.run_lengths.cusum import OneSided, TwoSided
from analytics.charts.run_lengths.ewma import Ewma
from analytics.charts.run_lengths.process import mean_run_lengths, run_length_quantiles
from analytics.charts.run_lengths.scatter import scatter_mean_run_length
from analytics.charts.run_lengths.shewhart import Rule, Shewhart
from analytics.charts.run_lengths.thresholds import (
    cusum_threshold,
    ewma_limit,
    likelihood_threshold_nats,
    scatter_threshold,
    shewhart_limit,
)

__all__ = [
    "cusum_mean_run_lengths", "cusum_run_length_quantiles", "cusum_threshold", "ewma_limit", "ewma_mean_run_lengths",
    "likelihood_threshold_nats", "scatter_mean_run_length", "scatter_threshold", "shewhart_limit",
    "shewhart_mean_run_lengths",
]


def cusum_mean_run_lengths(
    k: float, h: float, *, sides: int = 2, head_start: float = 0.0, shifts: Sequence[float] = (),
    drifts: Sequence[float] = (), after: float = 0, drift_from: int = 1,
) -> list[float]:
    """Mean run lengths of the CUSUM S = max(0, S + x − k), signal at S > h.

    k: reference value, 0 or more. h: threshold, 0 to 300. sides: 1, the upper arm; 2, both arms with the same k and h.
    head_start: value both arms start from, 0 to h.

    Lucas & Crosier, Technometrics 1982, Table 1: 168 in control, 8.38 for one sigma.

    >>> [round(x, 2) for x in cusum_mean_run_lengths(0.5, 4, shifts=[0, 1])]
    [167.68, 8.38]
    """
    _check_cusum(k, h, sides, head_start)
    if sides == 1:
        upper = OneSided(k, h, head_start)
        return mean_run_lengths(upper, shifts, drifts, after=readings(after), drift_from=drift_from)
    both = TwoSided(k, h, head_start)
    return mean_run_lengths(both, shifts, drifts, after=readings(after), drift_from=drift_from)


def ewma_mean_run_lengths(
    weight: float, limit: float, *, limits: str = "fixed", head_start: float = 0.0, shifts: Sequence[float] = (),
    drifts: Sequence[float] = (), after: float = 0, drift_from: int = 1,
) -> list[float]:
    """Mean run lengths of the EWMA Z = (1 − weight) Z + weight x from 0, signal beyond its limits.

    weight: 0.001 to 1. limit: more than 0, in sigma of Z. limits: "fixed" at ± limit · √(weight/(2 − weight)), or
    "varying" with the exact variance of Z at each reading. head_start: two EWMAs run from ± this value, in sigma of a
    reading, below the limit.

    Crowder, Technometrics 1987, Table 1: 26.45 in control, 20.12 for a quarter sigma.

    >>> [round(x, 2) for x in ewma_mean_run_lengths(0.5, 2, shifts=[0, 0.25])]
    [26.45, 20.12]
    """
    between("weight", weight, 0.001, 1.0)
    between("limit", limit, 1e-6, 40.0)
    one_of("limits", limits, ("fixed", "varying"))
    chart = Ewma(weight, limit, limits == "varying", head_start)
    between("head start", head_start, 0.0, chart.half_width)
    return mean_run_lengths(chart, shifts, drifts, after=readings(after), drift_from=drift_from)


def shewhart_mean_run_lengths(
    limit: float = 3.0, *, rules: Sequence[int] = (1,), warning: float = 2.0, inner: float = 1.0, run: int = 8,
    shifts: Sequence[float] = (), drifts: Sequence[float] = (), after: float = 0, drift_from: int = 1,
) -> list[float]:
    """Mean run lengths of the Shewhart chart with those of the four Western Electric rules that are named.

    Rule 1: beyond ± limit. Rule 2: two of three beyond ± warning on one side. Rule 3: four of five beyond ± inner on
    one side. Rule 4: ``run`` in a row on one side of the centre. Only the rules named are in force.

    Champ & Woodall, Technometrics 1987, Table 1: 225.44 in control with rules 1 and 2.

    >>> round(shewhart_mean_run_lengths(3, rules=[1, 2], shifts=[0])[0], 2)
    225.44
    """
    for name, line in (("limit", limit), ("warning", warning), ("inner", inner)):
        between(name, line, 0.0, 40.0)
    at_least("run", run, 1)
    known: dict[int, Rule] = {1: (1, 1, limit), 2: (2, 3, warning), 3: (4, 5, inner), 4: (run, run, 0.0)}
    for rule in rules:
        one_of("rule", rule, tuple(known))
    at_least("number of rules", len(rules), 1)
    chart = Shewhart(tuple(known[rule] for rule in sorted(set(rules))))
    return mean_run_lengths(chart, shifts, drifts, after=readings(after), drift_from=drift_from)


def cusum_run_length_quantiles(
    k: float, h: float, probabilities: Sequence[float], *, sides: int = 2, head_start: float = 0.0, shift: float = 0.0
) -> list[int]:
    """For each probability p the smallest n with P(run length ≤ n) ≥ p.

    probabilities: 0 ≤ p < 1. The other parameters are those of ``cusum_mean_run_lengths``.
    Waldmann, Technometrics 1986: for k = 0.5, h = 3, one-sided, in control, median 82 and 5 % point 9.

    >>> cusum_run_length_quantiles(0.5, 3, [0.5, 0.05], sides=1)
    [82, 9]
    """
    for probability in probabilities:
        between("probability", probability, 0.0, 1.0 - 1e-12)
    _check_cusum(k, h, sides, head_start)
    if sides == 1:
        return run_length_quantiles(OneSided(k, h, head_start), shift, probabilities)
    return run_length_quantiles(TwoSided(k, h, head_start), shift, probabilities)


def _check_cusum(k: float, h: float, sides: int, head_start: float) -> None:
    between("k", k, 0.0, 40.0)
    between("h", h, 0.0, 300.0)
    one_of("sides", sides, (1, 2))
    between("head start", head_start, 0.0, h)
