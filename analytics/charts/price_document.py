"""The answer of ``design`` for users as plain numbers: limits that keep the budget, its price, and what changes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from analytics.charts.budget import LOSS_SHARE
from analytics.charts.limits_in_force import FAMILIES, WINDOW_CADENCE_DAYS, mean_off_pct, shares, sizes
from analytics.charts.price import (
    DRIFTS_PCT_PER_YEAR,
    HABIT_PCT,
    STEPS_PCT,
    Delay,
    Situation,
    delays,
    false_alarms_per_year,
    habit_false_alarms_per_year,
    mean_checks,
    with_counting_time,
)
from analytics.charts.thresholds import FAR

COUNTING_TIMES = (0.25, 0.5, 1.0, 2.0, 4.0, 10.0)
CADENCES_DAYS = (1.0, 7.0, 30.4)
BUDGETS = (0.02, 0.05, 0.1, 0.2)
SAMPLE_STEP_PCT, SAMPLE_DRIFT_PCT = 5.0, 10.0  # what the tables of counting time, cadence and budget are for
ASSUMED = (
    "The level before the change is well known; a young reference, or few probes on the source, make it later.",
    "A change is a loss that sets in right after a check; days are the mean number of checks times the cadence.",
    "Counts are net; a background that is not small against them adds to the noise.",
    "Levels passed outright (action level, tolerance limit) may signal sooner than these charts.",
    f"A first check more than {FAR:g} standard deviations off asks for a repeat; no check alarms alone.",
    f"Of the false alarms allowed, {LOSS_SHARE:.0%} go to falls; the thresholds of a young unit are lower, at the same rate.",
)


def price_document(
    situation: Situation,
    *,
    steps_pct: Sequence[float] = STEPS_PCT,
    drifts_pct_per_year: Sequence[float] = DRIFTS_PCT_PER_YEAR,
    reference_readings: int = 20,
    window_cadence_days: float | None = None,
) -> dict[str, Any]:
    """Everything ``design --budget`` answers; None where something practically never signals."""
    arl0, noise = situation.run_lengths_of_sides[0], situation.noise_pct / 100.0
    spends, gives = false_alarms_per_year(situation)
    return {
        "asked": {
            "budget_per_probe_year": situation.budget_per_probe_year,
            "cadence_days": situation.cadence_days,
            "counts": situation.counts,
            "repositioning_pct": situation.repositioning_pct,
            "dead_band_pct": situation.dead_band_pct,
        },
        "noise": {
            "counting_pct": situation.counting_pct,
            "repositioning_pct": situation.placing_pct,
            "check_pct": situation.noise_pct,
        },
        "limits": {
            "shares": [
                {
                    "family": one.family,
                    "what": FAMILIES[one.family],
                    "share": one.share,
                    "false_alarms_per_probe_year": one.false_alarms_per_probe_year,
                    "cadence_days": one.cadence_days,
                    "checks_between_false_alarms": one.checks_between_false_alarms,
                    **one.thresholds,
                }
                for one in shares(
                    situation.budget_per_probe_year,
                    situation.cadence_days,
                    window_cadence_days or WINDOW_CADENCE_DAYS,
                    reference_readings,
                )
            ],
            "sizes": [
                {"k": one.k, "watched_pct": one.watched_pct, "threshold_nats": one.threshold_nats}
                for one in sizes(arl0, noise)
            ],
            "mean_of_newest": [
                {"checks": checks, "off_pct": off}
                for checks, off in mean_off_pct(arl0, noise, situation.dead_band_sd * noise).items()
            ],
            "repeat_asked_beyond_pct": 100.0 * FAR * noise,
        },
        "false_alarms_per_probe_year": {
            "response_allowed": spends,
            "response_behind_dead_band": gives,
            "fixed_limit": habit_false_alarms_per_year(situation),
        },
        "fixed_limit_pct": HABIT_PCT,
        "steps": [_row(one, "loss_pct") for one in delays(situation, steps_pct, ())],
        "drifts": [_row(one, "loss_pct_per_year") for one in delays(situation, (), drifts_pct_per_year)],
        "counting_time": counting_times(situation),
        "cadence": [
            {"cadence_days": days, **_sample(replace(situation, cadence_days=days))}
            for days in _with(situation.cadence_days, CADENCES_DAYS)
        ],
        "budget": [
            {"budget_per_probe_year": one, **_sample(replace(situation, budget_per_probe_year=one))}
            for one in _with(situation.budget_per_probe_year, BUDGETS)
        ],
        "assumed": list(ASSUMED),
    }


def counting_times(situation: Situation) -> list[dict[str, float | None]]:
    """Noise and two delays for shorter and longer countings, and for endless ones: what repositioning alone leaves."""
    rows: list[dict[str, float | None]] = []
    for factor in COUNTING_TIMES:
        counts = situation.counts * factor
        if 30.0 <= counts <= 1e9:
            changed = with_counting_time(situation, factor)
            rows.append({"times": factor, "counts": counts, "check_pct": changed.noise_pct, **_sample(changed)})
    endless = replace(situation, counts=1e9)
    rows.append({"times": None, "counts": None, "check_pct": endless.noise_pct, **_sample(endless)})
    return rows


def _with(asked: float, usual: Sequence[float]) -> list[float]:
    """The usual values and the one asked for, which stands for a usual one within a twentieth of it.

    >>> _with(30.0, (1.0, 7.0, 30.4))
    [1.0, 7.0, 30.0]
    """
    return sorted([asked, *(one for one in usual if abs(one / asked - 1.0) > 0.05)])


def _sample(situation: Situation) -> dict[str, float | None]:
    step, _ = mean_checks(situation, "step", SAMPLE_STEP_PCT)
    drift, _ = mean_checks(situation, "drift", SAMPLE_DRIFT_PCT)
    return {
        f"days_step_{SAMPLE_STEP_PCT:g}_pct": step * situation.cadence_days,
        f"days_drift_{SAMPLE_DRIFT_PCT:g}_pct_per_year": drift * situation.cadence_days,
    }


def _row(one: Delay, name: str) -> dict[str, float | None]:
    return {
        name: one.size,
        "days": one.days,
        "checks": one.checks,
        "checks_standard_error": one.checks_standard_error,
        "lost_by_then_pct": one.lost_by_then_pct,
        "days_without_dead_band": one.days_without_dead_band,
        "days_fixed_limit": one.days_fixed_limit,
    }
