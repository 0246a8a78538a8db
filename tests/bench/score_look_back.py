"""How often the look back's 90 % interval holds the true response, on simulated fleets with faults; run by hand.

    python -m tests.bench.score_look_back [fleets]

Truth: ``since_reference_pct`` of the simulated check, counting and placing aside. Told at the checks of each interval of
doubt, before it was found and after. Probes with an intermittent contact and contaminated ones are left out: the truth
that is written down is the probe's response with a good contact and a clean tip, and not what it was at the check.
On twelve fleets: 300 of 328 before it was found (91 %), 1371 of 1492 after (92 %), and 44 of 44 last good checks truly within tolerance.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from analytics.advice.look_back import look_back
from analytics.fleet import assess
from analytics.settings import load
from analytics.simulate import scoring_fleet, to_records


def score(seed: int, *, probes: int = 24, years: float = 2.0) -> tuple[list[bool], list[bool], list[bool]]:
    """Held before it was found, held after, and whether the last good check was truly within tolerance."""
    fleet = scoring_fleet(seed, probes=probes, years=years, sites=2)
    records, settings = to_records(fleet), load()
    assessment = assess(records, settings, fleet.ends_at)
    truth, fault = fleet.truth.checks, fleet.truth.probes.set_index("probe")["fault"]
    before, after, good = [], [], []
    for one in assessment.probes:
        if fault[one.probe] in ("intermittent", "contamination"):
            continue
        mine = truth[truth["probe"] == one.probe]
        for doubt in look_back(assessment, records, one.probe).doubts:
            track = mine[mine["window"] == doubt.series.window].sort_values("taken_at")
            for m in doubt.likely:
                away = (track["taken_at"] - m.at).abs()
                if track.empty or away.min() > pd.Timedelta(minutes=30):
                    continue
                true_pct = float(track["since_reference_pct"].iloc[int(away.argmin())])
                (before if m.at <= doubt.found_at else after).append(m.low_pct <= true_pct <= m.high_pct)
                if doubt.last_good is not None and m.at == doubt.last_good.at:
                    good.append(abs(true_pct - 100.0) <= settings.limits.tolerance_pct)
    return before, after, good


def main() -> None:
    """Print the shares."""
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    sums = [score(seed) for seed in range(1, many + 1)]
    for name, place in (("before it was found", 0), ("after", 1), ("last good check truly within", 2)):
        values = np.array([v for one in sums for v in one[place]])
        print(f"{name}: {values.sum()} of {len(values)}" + (f", {100 * values.mean():.1f} %" if len(values) else ""))  # noqa: T201


if __name__ == "__main__":
    main()
