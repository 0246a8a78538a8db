"""The answer worked out in parts is that of one process, to the last digit."""

from __future__ import annotations

import json
import os
import re
import signal
from datetime import timedelta
from functools import cache

import numpy as np
import pandas as pd
import pytest

from analytics import settings
from analytics.answer import as_json
from analytics.errors import UserError
from analytics.fleet import assess
from analytics.simulate import scoring_fleet, to_records
from analytics.spread.engine import OneProcess, assess_in_parts
from analytics.spread.partition import DEVICES, split
from tests.baseline.forward_tables import rebuilt

SHIPPED = settings.load()
FAULTS = {"gain_drift": 0.2, "efficiency_loss": 0.2, "step": 0.2, "contamination_splash": 0.1}


@cache
def fleet():
    """Sixteen probes on four sites for a year and a half, two of which lend each other a source once; some have faults and services."""
    made = scoring_fleet(3, probes=16, years=1.5, sites=4, mix=FAULTS, repaired=0.7, jig_knocked=True, two_windows=0.3)
    records = to_records(made)
    readings = records.readings.copy()
    site = dict(zip(records.probes["probe"], records.probes["site"], strict=True))
    sites = sorted(set(site.values()))
    of = readings["probe"].astype(object).map(site)
    lent = readings.loc[(of == sites[0]) & readings["source"].notna(), "source"].iloc[0]
    borrower = records.probes.loc[records.probes["site"] == sites[1], "probe"].iloc[0]
    first = readings.index[(readings["probe"] == borrower) & readings["source"].notna()][:3]
    readings.loc[first, "source"] = lent
    return rebuilt(records, readings), made, site, sites


@cache
def whole(days_before_end=0):
    """The answer in one piece."""
    records, made, _, _ = fleet()
    return assess(records, SHIPPED, made.ends_at - timedelta(days=days_before_end))


def said(results):
    """Results as text; the words of a set sorted, since another process has them in an order of its own."""
    return re.sub(r"frozenset\(\{(.*?)\}\)", lambda found: str(sorted(found[1].split(", "))), repr(results))


def same(one, other):
    """Both documents byte by byte, every result object, and every table to the last bit."""
    assert json.dumps(as_json(one)) == json.dumps(as_json(other))
    for name in ("series", "probes", "sources", "jigs", "readouts"):
        assert said(getattr(one, name)) == said(getattr(other, name)), name
    for name in ("points", "countings", "shared"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)


def test_parts_share_no_device_and_hold_every_reading_once():
    """What hangs together by a source, a jig or a control unit is one part: two sites with one source are."""
    records, _, site, sites = fleet()
    parts = split(records, 8)
    assert len(parts) >= 3
    ids = np.concatenate([part.records.readings["reading_id"] for part in parts])
    assert sorted(ids) == sorted(records.readings["reading_id"])
    for kind in DEVICES:
        used = [set(part.records.readings[kind].dropna().astype(str)) for part in parts]
        assert sum(len(one) for one in used) == len(set().union(*used))
        assert all(mine <= part.devices[kind] for mine, part in zip(used, parts, strict=True))
    together = [part for part in parts if sites[0] in {site[one] for one in part.records.probes["probe"]}]
    assert {site[one] for part in together for one in part.records.probes["probe"]} >= {sites[0], sites[1]}


@pytest.mark.parametrize("parts", [2, 8])
def test_the_answer_in_parts_is_that_in_one_piece(parts):
    """Alarms, advice, forecasts, devices, points and numbers of checks are the same to the last bit."""
    records, made, _, _ = fleet()
    assert any(one.crossing is not None for one in whole().series)
    assert any(one.alerts for one in whole().series)
    same(whole(), assess_in_parts(records, SHIPPED, made.ends_at, parts, OneProcess()))


def test_a_part_alone_would_answer_otherwise():
    """The table of constants is needed: without it, some digits of a part differ, so the test above can fail."""
    records, made, _, _ = fleet()
    alone = assess(split(records, 8)[0].records, SHIPPED, made.ends_at)
    of = {(s.probe, s.window, s.quantity): s for s in whole().series}
    assert any(
        repr(s.crossing) != repr(of[s.probe, s.window, s.quantity].crossing)
        or s.current_interval != of[s.probe, s.window, s.quantity].current_interval
        for s in alone.series
    )


def test_early_in_the_life_of_a_fleet_and_with_nothing_recorded_the_answer_is_the_same():
    """Parts without a check yet, and records without a reading, are put together like any others."""
    records, made, _, _ = fleet()
    early = made.starts_at + timedelta(days=20)
    same(assess(records, SHIPPED, early), assess_in_parts(records, SHIPPED, early, 8, OneProcess()))
    before = made.starts_at - timedelta(days=400)
    same(assess(records, SHIPPED, before), assess_in_parts(records, SHIPPED, before, 8, OneProcess()))


def test_a_cluster_with_a_killed_worker_gives_the_same_answer():
    """Two worker processes, one of them killed while it works: its parts are made anew, and no digit changes."""
    from distributed import Client, LocalCluster

    from analytics.spread.dask_mapper import OnDask

    records, made, _, _ = fleet()

    class Killing(OnDask):
        """Kills a worker after the second gathering, when it holds parts that were walked."""

        gathered = 0

        def gather(self, results):
            """The results; one worker is gone after the second call."""
            found = super().gather(results)
            self.gathered += 1
            if self.gathered == 2:
                pid = next(iter(self.client.run(os.getpid).values()))
                os.kill(pid, signal.SIGKILL)
            return found

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50) as cluster,
        Client(cluster) as client,
    ):
        mapper = Killing(client)
        answer = assess_in_parts(records, SHIPPED, made.ends_at, 3, mapper)
    assert mapper.gathered > 2
    same(whole(), answer)


def test_a_scheduler_that_does_not_answer_is_said_in_one_line(monkeypatch):
    """No cluster at the address: what was tried, and how to start one."""
    from analytics.spread import dask_mapper

    monkeypatch.setattr(dask_mapper, "CONNECT_S", 0.3)
    with pytest.raises(UserError, match="no scheduler answers at `tcp:"), dask_mapper.cluster(
        "tcp://127.0.0.1:9"
    ):
        pass


def test_without_the_extra_the_command_says_what_to_install(monkeypatch):
    """No Dask here: one line that names the extra."""
    import sys

    from analytics.spread import dask_mapper

    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UserError) as said, dask_mapper.cluster(None):
        pass
    assert "not installed" in str(said.value)
    assert "steadycount[scale]" in (said.value.do or "")
