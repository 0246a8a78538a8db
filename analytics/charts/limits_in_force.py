"""The limits that keep a budget: what each family of rules may spend, and where its charts then signal.

Nothing is computed here that the analysis does not use: thresholds come from ``budget``, ``spread`` and ``levels``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analytics.charts.budget import SHARES, SIZES_K, checks_between_false_alarms, run_lengths_of_sides
from analytics.charts.combined import thresholds_nats
from analytics.charts.thresholds import WINDOW_REFERENCE, freedom_of, spread_thresholds, t_limit

NEWEST = (2, 3, 5, 8, 13, 26, 52)  # checks whose mean is held against the reference, in the answer
WINDOW_CADENCE_DAYS = 182.0  # window checks, where no interval is set (common practice, no source)
LEVEL_SIDES = {"background": 1, "window_shift": 2, "side": 1}
FAMILIES = {
    "response": "level of the response, three sizes of change at once",
    "scatter": "scatter beyond counting and placing, lone outliers, repeats",
    "background": "background raised",
    "window_shift": "photopeak off its place",
    "side": "side reading raised",
    "no_signal": "no signal twice in a row",
}


@dataclass(frozen=True)
class Share:
    """What one family of rules may spend of the budget."""

    family: str
    share: float
    false_alarms_per_probe_year: float
    cadence_days: float
    checks_between_false_alarms: float
    thresholds: dict[str, float]  # by name, unit in the name


@dataclass(frozen=True)
class Size:
    """One of the sizes of change the response is watched for."""

    k: float  # half the size, in standard deviations of one check
    watched_pct: float  # a fall by this much
    threshold_nats: float


def shares(budget: float, cadence_days: float, window_cadence_days: float, reference_readings: int) -> tuple[Share, ...]:
    """What each family may spend and where it signals then; a full reference of so many checks and a long past are assumed."""
    found = []
    for family, share in SHARES.items():
        days = window_cadence_days if family == "window_shift" else cadence_days
        arl0 = float(checks_between_false_alarms(budget, family, np.array(days)))
        spends = 365.25 / days / arl0
        thresholds: dict[str, float] = {}
        if family == "response":
            for side, run in zip(("", "rise_"), run_lengths_of_sides(np.array(arl0)), strict=True):
                nats = thresholds_nats(float(run))
                thresholds |= {f"{side}size_{k:g}_nats": float(one) for k, one in zip(SIZES_K, nats, strict=True)}
        elif family == "scatter":
            at = spread_thresholds(np.array(arl0))
            thresholds = {
                "scatter_sum": float(at.scatter),
                "lone_outliers_nats": float(at.outliers),
                "repeats_and_too_little_nats": float(at.nats),
            }
        elif family in LEVEL_SIDES:
            readings = WINDOW_REFERENCE if family == "window_shift" else reference_readings
            limit = t_limit(np.array(arl0), freedom_of(np.array(readings)), LEVEL_SIDES[family])
            thresholds = {"limit_sd": float(limit)}
        found.append(Share(family, share, spends, days, arl0, thresholds))
    return tuple(found)


def sizes(arl0: float, noise: float) -> tuple[Size, ...]:
    """The sizes of change watched for, as falls in per cent at this noise (natural log); arl0: that of falls."""
    return tuple(
        Size(k, 100.0 * -math.expm1(-2.0 * k * noise), float(nats))
        for k, nats in zip(SIZES_K, thresholds_nats(arl0), strict=True)
    )


def mean_off_pct(arl0: float, noise: float, dead_band: float) -> dict[int, float]:
    """By number of newest checks: how far their mean must lie below a well-known reference to signal, per cent.

    arl0: that of falls.
    From L_d = n (d·a − d²/2)/σ² > h: a > (h σ²/n + d²/2)/d for the size d that needs least, and the dead band on top.
    noise, dead_band: natural log.
    """
    d = 2.0 * np.array(SIZES_K) * noise
    h = thresholds_nats(arl0)
    return {
        n: 100.0 * -math.expm1(-(dead_band + float(((h * noise**2 / n + 0.5 * d * d) / d).min()))) for n in NEWEST
    }
