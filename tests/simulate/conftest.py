"""Small designed fleets for the simulator's tests."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from analytics.simulate import simulate
from analytics.simulate.design import Design, Jig, Probe, Site, Source

PLAIN = Probe("P-1", "Site", jig="J", readout="CU", repositioning_pct=0.0, dead_time_us=0.0)


@pytest.fixture
def counted():
    """Count a small fleet of like probes: ``counted(faults=..., probe={...}, source={...}, **design)``."""

    def make(*, days=1096.0, copies=1, probe=(), source=(), site=(), seed=1, **design):
        one = replace(PLAIN, **dict(probe))
        plan = Design(
            starts_at=datetime(2021, 1, 4),
            days=days,
            sites=(Site("Site", **({"background_overdispersion": 0.0} | dict(site))),),
            probes=tuple(replace(one, name=f"P-{number + 1}") for number in range(copies)),
            sources=(Source("CK", "Site", -20.0, 300.0, -10.0, **dict(source)),),
            **({"blunder_rate": 0.0, "missed_rate": 0.0, "jigs": (Jig("J", "Site"),)} | design),
        )
        return simulate(plan, seed)

    return make


@pytest.fixture
def net_rates():
    """Net rate of each check from the raw counts, dead time undone; one row a `source` counting in the Co-57 window."""

    def work(fleet):
        readings = fleet.tables["readings"]
        readings = readings[(readings["window"] == "Co-57") & (readings["repeat"] == 1)]
        probes = fleet.tables["probes"].set_index("probe")
        tau_s = readings["probe"].map(probes["dead_time_us"]).to_numpy() * 1e-6
        seen = (readings["counts"] / readings["count_time_s"]).to_numpy()
        assert (probes["dead_time_model"] == "non_paralysable").all()
        true = readings.assign(true=seen / (1.0 - seen * tau_s))
        source = true[true["measurement"] == "source"]
        background = true[true["measurement"] == "background"].groupby("probe")["true"].mean()
        days = (source["taken_at"] - np.datetime64(fleet.starts_at)).dt.total_seconds() / 86_400
        return source.assign(day=days, net_cps=source["true"] - source["probe"].map(background))

    return work
