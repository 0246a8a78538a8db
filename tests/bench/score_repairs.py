"""Did the advice see whether a service held? ``python -m tests.bench.score_repairs --seeds 1-3``.

Fleets in which most faults are serviced; the analysis is run at four earlier dates of each, and the advice is held against
the truth for the last service of each probe, at least 200 days after it. Beside it the sound probes, and services that
begin no new reference, by kind.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from analytics.results import FleetAssessment
from analytics.simulate import Fleet, scoring_fleet
from tests.bench.score_common import Case, Figure, run_analysis, score_all
from tests.bench.score_forecasts import AT_SHARES, REPAIR_AGE_DAYS

REPAIRED = 0.8  # share of the faulty probes that get a service, against 0.4 in the other scores: more cases a fleet


@dataclass
class Score:
    """Figures of one fleet, and what went wrong."""

    figures: dict[str, Figure] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def figure(self, name: str, target: float, *, at_most: bool = False, unit: str = "%") -> Figure:
        """The figure of that name, made where it is new."""
        return self.figures.setdefault(name, Figure(name, target, at_most, unit=unit))


def score(case: Case) -> Score:
    """Score one fleet at its earlier dates."""
    fleet = scoring_fleet(
        case.seed, probes=case.probes, years=case.years, cadence=case.cadence, bad_source=case.bad_source,
        repaired=REPAIRED,
    )
    result = Score()
    for share in AT_SHARES:
        as_of = (fleet.starts_at + (fleet.ends_at - fleet.starts_at) * share).replace(hour=23, minute=0, second=0)
        answer, seconds = run_analysis(fleet, as_of)
        result.seconds += seconds / len(AT_SHARES)
        _services(result, case, fleet, pd.Timestamp(as_of), answer)
        _sound(result, fleet, answer)
    return result


def _services(result: Score, case: Case, fleet: Fleet, as_of: pd.Timestamp, answer: FleetAssessment) -> None:
    by_name = {one.probe: one for one in answer.probes}
    faults = fleet.truth.faults.set_index("fault")
    done = fleet.truth.repairs.sort_values("happened_at")
    for one in done[done["happened_at"] <= as_of].groupby("probe").tail(1).itertuples():
        age = (as_of - one.happened_at).days
        if age < REPAIR_AGE_DAYS:
            continue
        found, fault = by_name[one.probe], faults.loc[one.fault]
        right = ("use", "watch") if one.held else ("service", "retire")
        hit = found.advice in right
        state = "held" if one.held else "did not hold"
        what = f"{state}: {' or '.join(f'`{word}`' for word in right)}"
        result.figure(f"{'new reference' if one.new_reference else 'reference kept'}, {what}", 90).add(hit)
        result.figure(f"  of these {one.kind} for {fault['kind']}, {state}", 90).add(hit)
        if not hit:
            said = found.facts.get("probability_service_not_held")
            result.remarks.append(
                f"seed {case.seed} {as_of:%Y-%m-%d} {one.probe} {one.kind} of {one.happened_at:%Y-%m-%d} ({age} d) for {fault['kind']}"
                f" ({fault['rate_pct_per_year']:+.1f} %/a) {state}: {found.advice} by `{found.decided_by}`, P(not held)"
                f" {'none' if said is None else f'{said:.2f}'}"
            )


def _sound(result: Score, fleet: Fleet, answer: FleetAssessment) -> None:
    sound = set(fleet.truth.probes.loc[fleet.truth.probes["fault"] == "none", "probe"])
    serviced = set(fleet.truth.repairs["probe"])
    for one in answer.probes:
        if one.probe in sound - serviced and one.latest_check_at is not None:
            result.figure("sound and never serviced: `use`", 98).add(one.advice == "use")


def main() -> None:
    """Run and print."""
    score_all("Score what the advice says of services that held and that did not.", score, years=4.0)


if __name__ == "__main__":
    main()
