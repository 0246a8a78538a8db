"""Which checks are overdue: by the interval that is set, else by the cadence a probe has kept."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics import settings
from analytics.advice.overdue import OWN_FACTOR, SET_FACTOR, due_checks

DAY0 = datetime(2024, 1, 1, 9)
SHIPPED = settings.load()


def readings(days, measurement="source", probe="P"):
    """Countings on these days."""
    return pd.DataFrame({
        "probe": probe, "taken_at": pd.to_datetime([DAY0 + timedelta(days=d) for d in days]).astype("datetime64[us]"),
        "measurement": measurement})


def due(table, day, layer=SHIPPED):
    """Due checks by probe and kind."""
    return {(one.probe, one.kind): one for one in due_checks(table, layer, DAY0 + timedelta(days=day))}


def test_the_contracts_factors():
    """Contract: more than 1.5 times the interval set, or, none set, 3 times the own median interval."""
    assert (SET_FACTOR, OWN_FACTOR) == (1.5, 3.0)


@pytest.mark.parametrize(("days", "median"), [([0, 7, 14, 21], 7), ([0, 7, 14, 60, 67], 7), ([0, 30, 60, 91], 30)])
def test_three_times_the_own_median(days, median):
    """Not overdue until three medians have passed since the last day, whole days counted; overdue after that."""
    table = readings(days)
    one = due(table, days[-1] + 3 * median)["P", "check"]
    assert one.interval_days == median
    assert not one.overdue
    late = due(table, days[-1] + 3 * median + 2)["P", "check"]
    assert late.overdue
    assert late.overdue_from == (DAY0 + timedelta(days=days[-1] + 3 * median + 1)).date()
    assert late.due_on == (DAY0 + timedelta(days=days[-1] + median)).date()


def test_one_and_a_half_times_the_interval_set():
    """A set interval holds from the first check on, and over the probe's own cadence."""
    layer = settings.load({"schedule": {"check_days": 30.0}})
    for days in ([0], [0, 7, 14]):
        assert not due(readings(days), days[-1] + 45, layer)["P", "check"].overdue
        assert due(readings(days), days[-1] + 47, layer)["P", "check"].overdue


def test_single_probes_have_their_own_interval():
    """``check_days_by_probe`` goes before ``check_days``."""
    layer = settings.load({"schedule": {"check_days": 30.0, "check_days_by_probe": {"P": 1.0}}})
    table = pd.concat([readings([0, 1, 2]), readings([0, 1, 2], probe="Q")])
    assert {key[0]: one.overdue for key, one in due(table, 8, layer).items()} == {"P": True, "Q": False}


def test_kinds_are_told_apart():
    """Backgrounds, window checks and side readings have cadences of their own; below and above are one kind."""
    table = pd.concat([
        readings([0, 7, 14, 21]), readings([0, 7, 14, 21], "background"), readings([0, 180, 360], "window_below"),
        readings([0, 180, 360], "window_above"), readings([0, 90], "side")])
    made = due(table, 365)
    assert set(made) == {("P", kind) for kind in ("check", "background", "window check", "side reading")}
    assert made["P", "window check"].interval_days == 180.0
    assert not made["P", "window check"].overdue
    assert made["P", "check"].overdue


def test_fewer_than_three_days_have_no_cadence():
    """One or two days, none set: last day known, no interval, never overdue; several countings of a day are one day."""
    one = due(pd.concat([readings([0, 0, 0.1]), readings([7])]), 4000)["P", "check"]
    assert one.last_on == date(2024, 1, 8)
    assert (one.interval_days, one.due_on, one.overdue, one.overdue_from) == (None, None, False, None)


def test_what_was_never_done_is_not_there():
    """A kind of check that was never recorded has no entry, whatever is set; nothing recorded has none at all."""
    layer = settings.load({"schedule": {"window_check_days": 30.0, "background_days": 7.0}})
    assert set(due(readings([0, 7, 14]), 400, layer)) == {("P", "check")}
    assert due_checks(readings([]), layer, DAY0) == []


def test_order_of_rows_does_not_matter():
    """Shuffled readings give the same."""
    table = pd.concat([readings([0, 7, 14, 21]), readings([3, 9, 30], probe="A")])
    assert due_checks(table, SHIPPED, DAY0) == due_checks(table[::-1], SHIPPED, DAY0)


def test_every_interval_is_the_median_that_pandas_has():
    """Random days of many probes and kinds: last day and median interval are those of grouping by probe and kind."""
    rng = np.random.default_rng(2)
    table = pd.concat([
        readings(rng.integers(0, 400, rng.integers(1, 40)) + rng.random(), kind, f"P-{n}")
        for n in range(30) for kind in ("source", "background", "window_above") if rng.random() < 0.8])
    made = due(table.sample(frac=1.0, random_state=1), 500)
    day = table["taken_at"].dt.floor("D")
    kinds = table["measurement"].map({"source": "check", "background": "background", "window_above": "window check"})
    groups = {key: part.drop_duplicates().sort_values() for key, part in day.groupby([table["probe"], kinds])}
    assert made.keys() == groups.keys()
    assert list(made) == sorted(made)
    for key, days in groups.items():
        assert made[key].last_on == days.iloc[-1].date()
        own = days.diff().median() / pd.Timedelta(days=1) if len(days) >= 3 else None
        assert made[key].interval_days == own
