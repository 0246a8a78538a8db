"""The ready-made fleets: what they hold, that a seed fixes them, and that their tables are fit for loading."""

import numpy as np
import pandas as pd
import pytest

from analytics.simulate import plain_fleet, scoring_fleet, to_records
from analytics.simulate.breakdowns import MIX

KEY = ["probe", "taken_at", "window", "measurement", "repeat"]


@pytest.fixture(scope="module")
def weekly():
    """One scoring fleet of the usual size."""
    return scoring_fleet(11, probes=120)


def test_a_seed_fixes_the_fleet():
    """The same seed gives the same tables and truth to the last digit, another seed others."""
    one, same, other = (scoring_fleet(seed, probes=30, years=1.0) for seed in (5, 5, 6))
    for name, table in one.tables.items():
        pd.testing.assert_frame_equal(table, same.tables[name])
    for name in ("probes", "faults", "checks", "sources", "blunders"):
        pd.testing.assert_frame_equal(getattr(one.truth, name), getattr(same.truth, name))
    assert not one.tables["readings"]["counts"].equals(other.tables["readings"]["counts"])


def test_plain_fleet_is_the_one_of_the_first_acceptance():
    """Sixty probes, three years, some 18,700 countings: 57 sound, a loss of 12 % a year, a slide, a dead cable."""
    fleet = plain_fleet(3)
    assert len(fleet.tables["probes"]) == 60
    assert abs(len(fleet.tables["readings"]) - 18_700) < 700
    assert fleet.truth.faults.set_index("probe")["kind"].to_dict() == {
        "P-058": "efficiency_loss",
        "P-059": "gain_drift",
        "P-060": "dead_cable",
    }
    assert fleet.truth.faults["rate_pct_per_year"].iloc[0] == pytest.approx(-12.0)


def test_every_kind_of_fault_is_in_a_scoring_fleet(weekly):
    """Each kind of the mix happens to at least one probe, and about half of the probes stay sound."""
    assert set(weekly.truth.faults["kind"]) == set(MIX)
    assert 0.35 < (weekly.truth.probes["fault"] == "none").mean() < 0.6


def test_countings_and_sources_are_of_the_size_asked_for(weekly):
    """Ten-second countings of some 300 to 18,000, sources followed by others about every 500 days, 1.5 % off."""
    source = weekly.tables["readings"].query("measurement == 'source' and window == 'Co-57'")
    low, high = source["counts"].quantile([0.01, 0.99])
    assert 150 < low < 700
    assert 5_000 < high < 18_500
    many = pd.concat([scoring_fleet(seed, probes=60, sites=6, years=2.0).truth.sources for seed in range(5)])
    error = np.log(many["activity_factor"])
    assert 0.011 < error.std() < 0.019
    assert abs(error.mean()) < 4 * 0.015 / np.sqrt(len(error))
    swaps = weekly.truth.sources[weekly.truth.sources["used_from"] > weekly.starts_at]["used_from"]
    assert swaps.is_unique


def test_one_source_is_bad_and_only_when_asked_for(weekly):
    """The bad source falls 10 % a year too fast, with many probes on it for long; without asking there is none."""
    bad = weekly.truth.sources[weekly.truth.sources["bad"]]
    assert bad["excess_decay_pct_per_year"].tolist() == [10.0]
    assert ((bad["used_to"] - bad["used_from"]).dt.days >= 300).all()
    assert weekly.truth.probes["bad_source"].sum() >= 8
    assert not scoring_fleet(11, probes=30, years=1.0, bad_source=False).truth.sources["bad"].any()
    wrong = scoring_fleet(11, probes=60, bad_source=False, wrong_date=True).truth.sources.query("bad")
    assert wrong["reference_error_days"].tolist() == [31.0]


@pytest.mark.parametrize(("cadence", "days"), [("weekly", 7.0), ("monthly", 30.0)])
def test_cadence_is_kept(cadence, days):
    """The median interval between a probe's checks is the cadence asked for, and none falls on a weekend."""
    checks = scoring_fleet(2, probes=30, years=2.0, cadence=cadence, two_windows=0.0).truth.checks
    interval = checks.groupby("probe")["taken_at"].diff().dt.total_seconds().median() / 86_400
    assert interval == pytest.approx(days, abs=1.2)
    assert (checks["taken_at"].dt.day_of_week < 5).all()


def test_readings_can_all_be_loaded(weekly):
    """No two rows share a key, no time is after the end, no counting is on a source that is not in use."""
    readings, sources = weekly.tables["readings"], weekly.tables["sources"].set_index("source")
    assert not readings.duplicated(KEY).any()
    assert readings["taken_at"].max() < pd.Timestamp(weekly.ends_at)
    assert (readings["counts"] >= 0).all()
    on = readings[readings["measurement"] != "background"]
    assert on["source"].notna().all()
    withdrawn = on["source"].map(sources["withdrawn_on"])
    assert (withdrawn.isna() | (on["taken_at"] <= withdrawn)).all()
    assert readings.loc[readings["measurement"] == "background", "source"].isna().all()


def test_blunders_are_where_the_truth_says(weekly):
    """About 0.5 % of the checks are spoiled; each listed row holds the recorded value, and the right one differs."""
    readings, blunders = weekly.tables["readings"], weekly.truth.blunders
    share = (weekly.truth.checks.query("window == 'Co-57'")["blunder"] != "").mean()
    assert 0.003 < share < 0.008
    typed = blunders[blunders["recorded"].notna()]
    assert set(typed["kind"]) >= {"digit_swapped", "digit_dropped", "count_time_wrong", "day_month_swapped"}
    for one in typed.itertuples():
        row = readings.iloc[one.row - 1]
        held = row[one.column].isoformat() if one.column == "taken_at" else row[one.column]
        assert held == one.recorded
        assert one.recorded != one.right
        assert row["measurement"] == "source"


def test_records_hold_every_row_in_order_of_time(weekly):
    """``to_records`` hands on all rows with rising ids, sorted by time, none excluded."""
    records = to_records(weekly)
    assert len(records.readings) == len(weekly.tables["readings"])
    assert records.readings["reading_id"].is_monotonic_increasing
    assert records.readings["taken_at"].is_monotonic_increasing
    assert not records.readings["excluded"].any()
    assert len(records.events) == len(weekly.tables["events"])


def test_a_repair_leaves_an_event_and_a_new_reference(weekly):
    """Each repair of the truth is in the events, and its fault ends with it."""
    repairs = weekly.truth.repairs
    assert len(repairs) > 5
    events = weekly.tables["events"].merge(repairs, on=["probe", "happened_at", "kind"])
    assert len(events) == len(repairs)
    ended = weekly.truth.faults.set_index("fault").loc[repairs["fault"], "until"]
    assert (ended.to_numpy() == repairs["happened_at"].to_numpy()).all()
    assert repairs["held"].nunique() == 2
