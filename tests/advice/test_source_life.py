"""How long to count, until when a source serves, and what to order, against published figures."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics.advice.check_interval import INTERVALS_DAYS, SeenFault, interval_advice, unseen_days
from analytics.advice.source_life import source_life
from analytics.charts.budget import checks_between_false_alarms, run_lengths_of_sides
from analytics.records.snapshot import Records
from analytics.results import Alert, DeviceResult
from analytics.settings import load
from tests.dashboard.made_up import fleet

NOW = datetime(2024, 1, 1)


def look(rate_cps, activity_kbq=None, withdrawn_on=None):
    """An answer with one Co-57 source of this net rate and nothing else, and its records."""
    empty = Records.nothing()
    source = pd.DataFrame({"source": ["CK-1"], "nuclide": "Co-57", "reference_at": pd.Timestamp("2023-01-01"),
                           "withdrawn_on": withdrawn_on})  # fmt: skip
    records = dataclasses.replace(empty, sources=empty.sources.reindex(range(1)).assign(**source))
    one = DeviceResult("source", "CK-1", "North", "use", (), (), activity_kbq=activity_kbq, rate_now_cps=rate_cps)
    answer = fleet()[1]
    answer = dataclasses.replace(
        answer, as_of=NOW, sources=(one,), series=(), points=answer.points.iloc[:0], countings=answer.countings.iloc[:0]
    )
    return answer, records


def test_a_source_of_10_000_cps_serves_as_long_as_the_literature_says():
    """1 % in 60 s (167 cps) lasts 4.4 years from 10,000 cps (trade check values: computed from the cited formula)."""
    row = source_life(*look(10_000.0), load()).iloc[0]
    years = (row["too_weak_60_s"] - NOW.date()) / timedelta(days=365.25)
    assert years == pytest.approx(4.4, abs=0.03)
    years = (source_life(*look(1_000.0), load()).iloc[0]["too_weak_60_s"] - NOW.date()) / timedelta(days=365.25)
    assert years == pytest.approx(1.9, abs=0.05)


def test_100_cps_give_three_per_cent_in_ten_seconds():
    """100 cps × 10 s: 3.16 % (trade check value 12), so 3.16 % takes 10 s."""
    row = source_life(*look(100.0), load(), precision_pct=100 / 1000**0.5).iloc[0]
    assert row["time_s"] == pytest.approx(10.0, rel=1e-9)


def test_what_to_order_starts_at_ten_thousand_cps():
    """1 MBq that gives 2,000 cps here: 5 MBq give 10,000; ordered the lead time before the old one is too weak."""
    row = source_life(*look(2_000.0, 1_000.0), load({"schedule": {"source_lead_days": 30}})).iloc[0]
    assert row["order_kbq"] == pytest.approx(5_000.0)
    assert row["too_weak_10_s"] - row["order_on"] == timedelta(days=30)


def test_what_is_not_known_stays_empty_and_a_withdrawn_source_is_left_out():
    """Without a rate no day and no time; without an activity nothing to order; a withdrawn source is no row."""
    row = source_life(*look(None), load()).iloc[0]
    assert row[["too_weak_10_s", "too_weak_60_s", "time_s", "order_kbq"]].isna().all()
    assert source_life(*look(500.0, withdrawn_on=pd.Timestamp("2023-12-01")), load()).empty
    with pytest.raises(ValueError, match="more than 0"):
        source_life(*look(500.0), load(), precision_pct=0.0)


def test_a_gross_step_is_unseen_for_half_an_interval():
    """A step far beyond every limit at a random moment: the mean wait for the next check is half the interval."""
    for days in (7.0, 30.4):
        found = unseen_days(SeenFault("GP-1", "step", 40.0, 1.0), days, 1000.0, 10.0, runs=4000)
        assert found.mean() == pytest.approx(days / 2, rel=0.03)
        assert found.max() <= days


def test_a_step_that_no_single_check_shows_waits_for_the_next():
    """12 % at a noise of 4 % lies within four standard deviations at the first check but for one in six: a second is needed."""
    found = unseen_days(SeenFault("GP-1", "step", 12.0, 4.0), 7.0, 1000.0, 10.0, runs=4000)
    assert (found < 7.0).mean() < 0.25


def test_falls_are_watched_with_the_thresholds_of_falls():
    """Five sixths of the budget go to falls (run lengths 600 and not 1000 at this cadence), so a loss is seen earlier than evenly."""
    answer = fleet()[1]
    (one, *_) = [s for s in answer.series if s.quantity == "response"]
    alert = Alert("E-1", "change_point", answer.as_of, None, None, "low", "")
    steady = dataclasses.replace(one, drift_pct_per_year=None, current_pct=88.0, alerts=(alert,))
    found = interval_advice(dataclasses.replace(answer, series=(steady,)), 1.0, 0.05, 10.0, 1.0, {one.probe: 4.0})
    (weekly,) = [price for price in found.prices if price.interval_days == 7.0]
    even = float(checks_between_false_alarms(0.05, "response", np.array(7.0)))
    falls = float(run_lengths_of_sides(np.array(even))[0])
    assert falls == pytest.approx(0.6 * even)
    fault = found.faults[0]
    assert weekly.unseen_days == pytest.approx(unseen_days(fault, 7.0, falls, 10.0).mean())
    assert weekly.unseen_days < unseen_days(fault, 7.0, even, 10.0).mean()


def test_a_slow_drift_is_seen_before_it_passes_and_a_rare_check_sees_it_late():
    """2 % a month passes 10 % after some 5 months: weekly checks see it first, half-yearly ones only after."""
    fault = SeenFault("GP-1", "drift", 21.5, 1.5)
    assert unseen_days(fault, 7.0, 1000.0, 10.0).mean() < 0.5
    late = unseen_days(fault, 182.0, 50.0, 10.0)
    assert 20.0 < late.mean() < 200.0


def test_advice_is_the_longest_interval_that_keeps_the_accepted_days():
    """Unseen days rise with the interval; what is advised keeps to the accepted days and the next longer one does not."""
    answer = fleet()[1]
    falling = [
        dataclasses.replace(one, drift_pct_per_year=-20.0, drift_interval=(-25.0, -15.0))
        for one in answer.series
        if one.quantity == "response" and any(a.settled_at is None and a.direction == "low" for a in one.alerts)
    ]
    assert falling
    found = interval_advice(dataclasses.replace(answer, series=tuple(falling)), 20.0, 0.05, 10.0, 1.0, {})
    unseen = [one.unseen_days for one in found.prices]
    assert unseen == sorted(unseen)
    assert found.advised_days is not None
    after = INTERVALS_DAYS[INTERVALS_DAYS.index(found.advised_days) + 1]
    by_days = {one.interval_days: one.unseen_days for one in found.prices}
    assert by_days[found.advised_days] <= 1.0 < by_days[after]


def test_without_a_fault_on_record_there_is_no_advice_but_a_bound():
    """Nothing seen in 30 probe-years: no interval is advised; fewer than 0.1 a year with 95 % confidence (−ln 0.05 / 30)."""
    answer = dataclasses.replace(fleet()[1], series=())
    found = interval_advice(answer, 30.0, 0.05, 10.0, 1.0, {})
    assert found.advised_days is None
    assert "fewer than 0.1 a probe-year" in found.missing


@pytest.mark.parametrize("rate_cps", [1e-3, 1e-200])
def test_a_source_that_is_long_gone_has_no_counting_time_and_is_no_error(rate_cps):
    """A day source of months ago gives next to nothing: no time a person would count, where its square had divided by nought."""
    row = source_life(*look(rate_cps), load()).iloc[0]
    assert pd.isna(row["time_s"])
    assert row["too_weak_10_s"] < NOW.date()
