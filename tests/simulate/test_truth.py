"""What the truth says is what the counts do."""

from datetime import datetime

import numpy as np
import pandas as pd
import pytest

from analytics.simulate.design import Fault, Jig, Service

DECAY_A_DAY = np.log(2) / 271.81


def slope_a_day(day, log_rate, weights):
    """Weighted straight line through ln(rate): slope and its standard error from the weights."""
    centre = np.average(day, weights=weights)
    spread = (weights * (day - centre) ** 2).sum()
    return (weights * (day - centre) * log_rate).sum() / spread, spread**-0.5


@pytest.mark.parametrize("excess_pct", [0.0, 10.0])
def test_source_falls_as_the_truth_says(counted, net_rates, excess_pct):
    """Net rates of a sound probe fall with 271.81 d, and on a bad source faster by its excess (within 4 errors)."""
    fleet = counted(source={"excess_decay_pct_per_year": excess_pct}, copies=4)
    rates = net_rates(fleet)
    slope, error = slope_a_day(rates["day"], np.log(rates["net_cps"]), rates["counts"])
    assert fleet.truth.sources["excess_decay_pct_per_year"].iloc[0] == excess_pct
    assert abs(slope + DECAY_A_DAY - np.log1p(-excess_pct / 100) / 365.2422) < 4 * error


@pytest.mark.parametrize(
    "fault",
    [
        Fault("P-1", "efficiency_loss", 200.0, per_year=np.log(0.88)),
        Fault("P-1", "efficiency_loss", 200.0, per_year=np.log(0.9), widening=3.0),
        Fault("P-1", "gain_drift", 300.0, per_year=0.05),
        Fault("P-1", "gain_drift", 100.0, per_year=-0.05),
        Fault("P-1", "step", 500.0, size=np.log(0.9)),
    ],
    ids=lambda fault: f"{fault.kind} {fault.per_year:.2f}",
)
def test_counts_follow_the_true_response(counted, net_rates, fault):
    """Decay-corrected net rates over the true response stay level: mean 1 and slope 0 within 4 standard errors."""
    fleet = counted(faults=(fault,), probe={"dead_time_us": 8.0})
    rates = net_rates(fleet)
    truth = fleet.truth.checks.set_index("taken_at")["response_pct"]
    checked_at = rates["taken_at"] - pd.Timedelta(20, "s")
    true_cps = 6.0 * 300.0 * np.exp2(-(rates["day"] + 20.0) / 271.81) * checked_at.map(truth) / 100.0
    log_ratio = np.log(rates["net_cps"] / true_cps)
    mean = np.average(log_ratio, weights=rates["counts"])
    slope, error = slope_a_day(rates["day"], log_ratio, rates["counts"])
    assert abs(mean) < 4 / np.sqrt(rates["counts"].sum())
    assert abs(slope) < 4 * error


def test_crossing_of_a_straight_loss_is_the_closed_form(counted):
    """A loss of 12 % a year passes 5 and 10 % after ln(0.95)/ln(0.88) and ln(0.90)/ln(0.88) years, to the day after."""
    fault = counted(faults=(Fault("P-1", "efficiency_loss", 200.0, per_year=np.log(0.88)),)).truth.faults.iloc[0]
    for column, left in (("crosses_5_at", 0.95), ("crosses_10_at", 0.90)):
        days = (fault[column] - fault["onset_at"]).total_seconds() / 86_400
        assert 0 <= days - np.log(left) / np.log(0.88) * 365.2422 <= 1.0
    assert fault["rate_pct_per_year"] == pytest.approx(-12.0)
    assert fault["direction"] == "low"


def test_a_repair_that_holds_ends_the_fault_and_one_that_does_not_lets_it_go_on(counted):
    """After a repair the response stays level where it held, and goes on falling from the new reference where not."""
    loss = np.log(0.85)
    first = Fault("P-1", "efficiency_loss", 200.0, until=500.0, per_year=loss)
    held = counted(faults=(first,), services=(Service("P-1", 500.0, "repair", held=True, level=0.02, fault=0),))
    again = Fault("P-1", "efficiency_loss", 500.0, per_year=loss, goes_on_from=0)
    not_held = counted(faults=(first, again), services=(Service("P-1", 500.0, "repair", held=False, fault=0),))
    after = held.truth.checks[held.truth.checks["taken_at"] > datetime(2022, 5, 20)]
    assert after["since_reference_pct"].round(9).eq(100.0).all()
    assert after["response_pct"].iloc[0] == pytest.approx(100 * np.exp(0.02))
    assert held.truth.probes["cause"].item() == "none"
    last = not_held.truth.checks.iloc[-1]
    years = (last["taken_at"] - pd.Timestamp(not_held.starts_at)).total_seconds() / 86_400 / 365.2422 - 500 / 365.2422
    assert last["since_reference_pct"] == pytest.approx(100 * 0.85**years, rel=1e-6)
    assert not_held.truth.probes["cause"].item() == "efficiency_loss"
    assert not_held.truth.faults["goes_on_from"].tolist() == [0, 1]


def test_a_knocked_jig_moves_the_counts_and_not_the_probe(counted, net_rates):
    """Counts of all probes drop by the inverse square of 1 mm while their true response stays at 100 %."""
    fleet = counted(jigs=(Jig("J", "Site", 25.0, knocked_day=548.0, by_mm=1.0),), copies=5)
    rates = net_rates(fleet)
    level = np.log(rates["net_cps"]) + DECAY_A_DAY * rates["day"]
    knocked = rates["day"] >= 548.0
    change = np.average(level[knocked], weights=rates["counts"][knocked])
    change -= np.average(level[~knocked], weights=rates["counts"][~knocked])
    error = np.sqrt(1 / rates["counts"][knocked].sum() + 1 / rates["counts"][~knocked].sum())
    assert abs(change - 2 * np.log(25 / 26)) < 4 * error
    assert (fleet.truth.checks["response_pct"] == 100.0).all()
    assert fleet.truth.jigs["knocked_at"].iloc[0] == pd.Timestamp("2022-07-06")
