"""Fleets that are replayed in the tests, with their truth; each is made and replayed once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pandas as pd

from analytics import settings
from analytics.records.snapshot import OUTCOMES, Records
from analytics.replay import replay
from analytics.replays.results import Replay
from analytics.simulate import Fleet, scoring_fleet, to_records

SHIPPED = settings.load()
MIX = {"efficiency_loss": 0.35, "gain_drift": 0.2, "step": 0.15, "contamination_splash": 0.05}


@cache
def fleet(cadence: str) -> tuple[Fleet, Records]:
    """Eighteen probes on one site for three years, most of them faulty; what each service found is on record."""
    made = scoring_fleet(
        8, probes=18, years=3.0, cadence=cadence, sites=1, mix=MIX, repaired=0.5, two_windows=0.2, bad_source=False)
    records = to_records(made)
    return made, replace(records, outcomes=findings(made))


def findings(made: Fleet) -> pd.DataFrame:
    """What the workshop found at every repair: the true cause."""
    cause = made.truth.faults.set_index("fault")["cause"]
    repairs = made.truth.repairs
    return Records.table(OUTCOMES, {
        "probe": list(repairs["probe"]), "found_at": list(repairs["happened_at"]),
        "found": [cause[number] for number in repairs["fault"]]})


@cache
def replayed(cadence: str) -> Replay:
    """The replay at the end of the data."""
    made, records = fleet(cadence)
    return replay(records, SHIPPED, made.ends_at)
