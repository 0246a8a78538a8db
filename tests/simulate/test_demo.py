"""The demo fleet: complete, up to yesterday whenever that is, and the same as the sample that is kept."""

from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest

from analytics.simulate.demo import SAMPLE_ENDS, demo_fleet, demo_tables, demo_truth
from analytics.simulate.design import CAUSE_OF
from analytics.simulate.write import write_csv

KEPT = Path(__file__).parents[2] / "data_demo"


@pytest.fixture(scope="module")
def demo():
    """The fleet of the kept sample."""
    return demo_fleet(SAMPLE_ENDS)


def test_the_kept_sample_is_what_the_generator_makes(tmp_path):
    """Every kept file equals, byte for byte, what the generator writes for the sample's ending."""
    written = write_csv(demo_tables(SAMPLE_ENDS), tmp_path) + write_csv({"truth": demo_truth(SAMPLE_ENDS)}, tmp_path)
    kept = {path.name: path for path in [*(KEPT / "sample").glob("*.csv"), KEPT / "truth.csv"]}
    assert {path.name for path in written} == set(kept)
    for path in written:
        assert path.read_bytes() == kept[path.name].read_bytes(), f"{path.name}: run analytics.simulate.demo anew"


def test_every_fault_of_the_trade_is_told(demo):
    """Each kind of fault befalls some probe, records are wrong, a jig is knocked, mistakes of each sort are made."""
    assert set(demo.truth.faults["kind"]) == set(CAUSE_OF)
    assert demo.truth.sources["bad"].sum() == 2
    assert demo.truth.jigs["knocked_at"].notna().sum() == 1
    assert {"wrong_window", "mis_seated", "digit_dropped", "count_time_wrong", "day_month_swapped"} <= set(
        demo.truth.blunders["kind"]
    )


def test_it_is_a_group_of_three_sites_with_both_cadences(demo):
    """41 probes on three sites, checked weekly and monthly, some with two windows, over three years."""
    probes, readings = demo.tables["probes"], demo.tables["readings"]
    assert (len(probes), probes["site"].nunique()) == (41, 3)
    interval = demo.truth.checks.query("window == 'Co-57'").groupby("probe")["taken_at"].diff().dt.days
    median = interval.groupby(demo.truth.checks["probe"]).median()
    assert ((median - 7).abs() <= 1).sum() >= 30
    assert ((median - 30).abs() <= 2).sum() >= 6
    assert (readings.groupby("probe")["window"].nunique() == 2).sum() >= 6
    assert (readings["taken_at"].max() - readings["taken_at"].min()).days > 1080


@pytest.mark.parametrize("weekday", range(7))
def test_it_can_end_on_any_day(weekday):
    """Whatever the last day, the newest check is at most four days old, nothing is later, and keys are unique."""
    ending = date(2027, 2, 26) + timedelta(days=weekday)
    tables = demo_tables(ending)
    newest = tables["readings"]["taken_at"].max()
    assert timedelta(0) < pd.Timestamp(ending + timedelta(days=1)) - newest < timedelta(days=4)
    for name, column in (
        ("events", "happened_at"),
        ("inspections", "done_at"),
        ("uses", "used_at"),
        ("outcomes", "found_at"),
    ):
        assert tables[name][column].max() < pd.Timestamp(ending + timedelta(days=1)), name
    assert not tables["readings"].duplicated(["probe", "taken_at", "window", "measurement", "repeat"]).any()


def test_stories_show_at_the_end(demo):
    """At the end the stories stand where they are told to: loss, slip, step, dead cable, new probe, overdue probe."""
    last = (
        demo.truth.checks.query("window == 'Co-57'").sort_values("taken_at").groupby("probe").tail(1).set_index("probe")
    )
    off = last["since_reference_pct"] - 100
    assert -10 < off["QU-03"] < -7
    assert -10 < off["QU-05"] < -5
    assert -7 < off["OS-04"] < -6.5
    assert -8 < off["OS-02"] < -5
    assert last.loc["QU-10", "response_pct"] == 0
    checks = demo.truth.checks.query("window == 'Co-57'").groupby("probe")["taken_at"]
    assert checks.count()["QU-17"] < 5
    assert (demo.ends_at - checks.max()["QU-18"]).days > 50
    assert last.loc["QU-14", "blunder"] == "mis_seated"


def test_the_truth_names_every_probe_source_and_jig(demo):
    """The truth has a line with a sentence for each probe, and lines for each source and jig."""
    truth = demo_truth(SAMPLE_ENDS)
    told = truth[truth["about"] == "probe"]
    assert set(told["name"]) == set(demo.tables["probes"]["probe"])
    assert told["story"].notna().all()
    assert set(truth.loc[truth["about"] == "source", "name"]) == set(demo.tables["sources"]["source"])
    assert set(truth.loc[truth["about"] == "jig", "name"]) == {"JIG-Q1", "JIG-Q2", "JIG-O1", "JIG-H1"}


def test_inspections_and_uses_stay_with_what_is_registered(demo):
    """Inspections and uses name known probes and sources, and uses fall on working days."""
    probes, sources = set(demo.tables["probes"]["probe"]), set(demo.tables["sources"]["source"])
    inspections, uses = demo.tables["inspections"], demo.tables["uses"]
    assert set(inspections["probe"].dropna()) <= probes
    assert set(inspections["source"].dropna()) <= sources
    assert {"visual", "power", "leak_test", "inventory", "sensitivity", "acceptance"} <= set(inspections["kind"])
    assert set(uses["probe"]) <= probes
    assert (uses["used_at"].dt.day_of_week < 5).all()
    assert uses["case_reference"].is_unique
