"""Counting is done on arrays of the whole fleet: a day's work must not wait for it."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd

from analytics import settings
from analytics.counting import count_records
from analytics.records import snapshot
from analytics.records.snapshot import Records


def test_three_hundred_thousand_countings_take_less_than_two_seconds_of_one_core() -> None:
    """500 probes with 200 checks of a background and two repeats each are counted in under 2 s of processor time."""
    rng = np.random.default_rng(1)
    probes, checks = 500, 200
    part = np.tile(np.arange(3), probes * checks)
    day = np.repeat(np.tile(np.arange(checks), probes), 3)
    probe = np.repeat(np.arange(probes), checks * 3)
    names = np.array([f"P{number:04d}" for number in range(probes)])
    at = np.datetime64("2020-01-01T08:00:00", "us") + day.astype("m8[D]") + part.astype("m8[m]") + probe.astype("m8[s]")
    readings = pd.DataFrame({
        "probe": names[probe], "taken_at": at, "window": "Co-57", "count_time_s": 10.0,
        "measurement": np.array(["background", "source", "source"])[part],
        "counts": np.where(part == 0, rng.poisson(30, len(part)), rng.poisson(20_000, len(part))),
        "source": np.where(part == 0, None, "S"),
    }).sort_values("taken_at", kind="stable")
    readings["reading_id"] = np.arange(len(readings))
    table = Records.table
    records = Records(
        1, table(snapshot.READINGS, readings), table(snapshot.PROBES, {"probe": names, "dead_time_us": [5.0] * probes}),
        table(snapshot.SOURCES, {
            "source": ["S"], "nuclide": ["Co-57"], "reference_at": ["2020-01-01"], "activity_kbq": [1000.0]}),
        table(snapshot.WINDOWS), table(snapshot.EVENTS), table(snapshot.INSPECTIONS), table(snapshot.USES),
        table(snapshot.OUTCOMES), table(snapshot.DECISIONS))
    started = time.process_time()
    counted = count_records(records, settings.load())
    assert time.process_time() - started < 2.0
    assert len(counted.response) == probes * checks
