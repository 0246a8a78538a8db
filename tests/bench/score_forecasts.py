"""Crossing dates and repair verdicts scored: ``python -m tests.bench.score_forecasts --seeds 1-10 --years 4``.

The analysis is run at four earlier dates of each fleet. A true crossing is the day on which the true response passes
10 % if nothing more is mended; it may lie after the end of the data.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from functools import partial

import numpy as np
import pandas as pd

from analytics.results import Crossing, FleetAssessment
from analytics.simulate import Fleet
from tests.bench.score_common import Case, Figure, arguments, cases, each, print_scores, run_analysis

AT_SHARES = (0.45, 0.60, 0.75, 0.90)  # of the length of the data
FAULT_AGE_DAYS, CROSSES_WITHIN_DAYS, REPAIR_AGE_DAYS = 120, 3 * 365.25, 200
COVERAGE = "true crossing inside the 90 % interval, of forecasts made"


@dataclass
class Score:
    """Figures of one fleet, and what went wrong."""

    figures: dict[str, Figure] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def figure(self, name: str, target: float, *, at_most: bool = False, unit: str = "%") -> Figure:
        """The figure of that name, made where it is new."""
        return self.figures.setdefault(name, Figure(name, target, at_most, unit=unit))


def score(case: Case, shares: tuple[float, ...] = AT_SHARES) -> Score:
    """Score one fleet at its earlier dates."""
    fleet, result = case.fleet(), Score()
    for share in shares:
        as_of = (fleet.starts_at + (fleet.ends_at - fleet.starts_at) * share).replace(hour=23, minute=0, second=0)
        answer, seconds = run_analysis(fleet, as_of)
        result.seconds += seconds / len(shares)
        made = _forecasts(answer)
        _crossings(result, case, fleet, pd.Timestamp(as_of), made)
        _all_kinds(result, fleet, pd.Timestamp(as_of), made)
        _sound(result, case, fleet, pd.Timestamp(as_of), made)
        _repairs(result, case, fleet, pd.Timestamp(as_of), answer)
    return result


def _forecasts(answer: FleetAssessment) -> dict[str, Crossing]:
    """The forecast of each probe's response in the window that it is judged in."""
    found: dict[str, Crossing] = {}
    for one in answer.series:
        if one.quantity == "response" and one.window == "Co-57" and one.crossing is not None:
            found[one.probe] = one.crossing
    return found


def _days(to: date | None, start: pd.Timestamp) -> float:
    return np.inf if to is None else (pd.Timestamp(to) - start).total_seconds() / 86_400


def _crossings(result: Score, case: Case, fleet: Fleet, as_of: pd.Timestamp, made: dict[str, Crossing]) -> None:
    held = result.figure(COVERAGE, 85)
    result.figure("  the same, to be at most", 95, at_most=True)
    share = result.figure("forecast made, faults 120 days old that cross within 3 years", 80)
    width = result.figure("median width of the interval over the true time left", 1.5, at_most=True, unit="")
    width_told = result.figure("median width of the interval over the forecast time left", 1.5, at_most=True, unit="")
    faults = fleet.truth.faults[fleet.truth.faults["gradual"]]
    for one in faults[
        (faults["onset_at"] <= as_of) & (faults["until"].isna() | (faults["until"] > as_of))
    ].itertuples():
        crossing = made.get(one.probe)
        left = np.inf if pd.isna(one.crosses_10_at) else (one.crosses_10_at - as_of).total_seconds() / 86_400
        if left <= 0:
            past = result.figure("forecast still made though the true response is past 10 %", 100, at_most=True)
            past.add(crossing is not None)
            continue
        age = (as_of - one.onset_at).total_seconds() / 86_400
        if age >= FAULT_AGE_DAYS and left <= CROSSES_WITHIN_DAYS:
            share.add(crossing is not None)
        what = f"seed {case.seed} {as_of:%Y-%m-%d} {one.probe} {one.kind} {one.rate_pct_per_year:+.1f} %/a, {age:.0f} d"
        if crossing is None:
            if age >= FAULT_AGE_DAYS and left <= CROSSES_WITHIN_DAYS:
                result.remarks.append(f"none   {what}, crosses in {left:.0f} d: no forecast")
            continue
        low, middle, high = (_days(to, as_of) for to in (crossing.p05, crossing.p50, crossing.p95))
        low = 0.0 if crossing.p05 is None else low
        # dates have no hours: a crossing on the day itself counts as inside
        inside = low - 1.0 <= left <= high + 1.0
        for name, target, at_most in ((COVERAGE, 85, False), ("  the same, to be at most", 95, True)):
            result.figure(name, target, at_most=at_most).add(inside)
        result.figure(f"  of these {one.kind}", held.target).add(inside)
        width.values.append((high - low) / left)
        if crossing.p95 is not None:
            result.figure("  the same width, of forecasts with both ends", 1.5, at_most=True, unit="").values.append(
                (high - low) / left
            )
            result.figure("  of these with both ends", 85).add(inside)
        width_told.values.append((high - low) / middle if np.isfinite(middle) and middle > 0 else np.inf)
        if not inside:
            result.remarks.append(
                f"wrong  {what}: said {low:.0f} to {high:.0f} d (middle {middle:.0f}), truly {left:.0f} d"
            )


def _all_kinds(result: Score, fleet: Fleet, as_of: pd.Timestamp, made: dict[str, Crossing]) -> None:
    """Coverage over probes of every kind, sound and stepped ones too, which cross never; passed ones are left out."""
    faults = fleet.truth.faults
    active = faults[(faults["onset_at"] <= as_of) & (faults["until"].isna() | (faults["until"] > as_of))]
    crosses = dict(zip(active["probe"], active["crosses_10_at"], strict=True))
    gradual = set(active.loc[active["gradual"], "probe"])
    faulty = set(fleet.truth.probes.loc[fleet.truth.probes["fault"] != "none", "probe"])
    for probe in fleet.truth.probes["probe"]:
        at, crossing = crosses.get(probe, pd.NaT), made.get(probe)
        if pd.notna(at) and at <= as_of:
            continue
        dated = crossing is not None and crossing.p95 is not None
        if probe in faulty and probe not in gradual:
            result.figure("probes with another fault, or none any more, that get a date (p95)", 3, at_most=True).add(dated)
        if crossing is None:
            continue
        left = np.inf if pd.isna(at) else (at - as_of).total_seconds() / 86_400
        inside = _days(crossing.p05, as_of) - 1.0 <= left <= _days(crossing.p95, as_of) + 1.0
        result.figure("coverage over all kinds of probes, steps and sound ones too", 85).add(inside)
        if dated:
            result.figure("  all kinds, with both ends", 85).add(inside)


def _sound(result: Score, case: Case, fleet: Fleet, as_of: pd.Timestamp, made: dict[str, Crossing]) -> None:
    dated = result.figure("sound probes with a date (p95)", 3, at_most=True)
    for name in fleet.truth.probes.loc[fleet.truth.probes["fault"] == "none", "probe"]:
        crossing = made.get(name)
        wrong = crossing is not None and crossing.p95 is not None
        dated.add(wrong)
        if wrong:
            result.remarks.append(f"sound  seed {case.seed} {as_of:%Y-%m-%d} {name}: {crossing.p05} to {crossing.p95}")


def _repairs(result: Score, case: Case, fleet: Fleet, as_of: pd.Timestamp, answer: FleetAssessment) -> None:
    repairs = fleet.truth.repairs[fleet.truth.repairs["new_reference"]].sort_values("happened_at")
    repairs = repairs[repairs["happened_at"] <= as_of].groupby("probe").tail(1)
    advice = {one.probe: one.advice for one in answer.probes}
    for one in repairs.itertuples():
        if (as_of - one.happened_at).days < REPAIR_AGE_DAYS:
            continue
        right = ("use", "watch") if one.held else ("service", "retire")
        name = (
            "repair held: `use` or `watch` 200 days on"
            if one.held
            else "repair did not hold: `service` or `retire` 200 days on"
        )
        hit = advice[one.probe] in right
        result.figure(name, 90).add(hit)
        if not hit:
            fault = fleet.truth.faults.set_index("fault").loc[one.fault]
            result.remarks.append(
                f"repair seed {case.seed} {as_of:%Y-%m-%d} {one.probe} {one.kind} of {one.happened_at:%Y-%m-%d}"
                f" {'held' if one.held else 'did not hold'} ({fault['rate_pct_per_year']:+.1f} %/a)"
                f": {advice[one.probe]}"
            )


def main() -> None:
    """Run and print."""
    parser = arguments("Score crossing forecasts and repair verdicts on simulated fleets.")
    parser.set_defaults(years=4.0)
    parser.add_argument("--dates", type=int, default=len(AT_SHARES), help="how many earlier dates (default: 4)")
    options = parser.parse_args()
    shares = AT_SHARES if options.dates == len(AT_SHARES) else tuple(np.linspace(0.45, 0.9, options.dates))
    for cadence, of in cases(options).items():
        print_scores(cadence, list(each(partial(score, shares=shares), of, options.jobs)), options.brief)


if __name__ == "__main__":
    main()
