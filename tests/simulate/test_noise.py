"""The spread of the counts is what the design asks for, no less and no more."""

import numpy as np
import pytest
from scipy import stats

from analytics.simulate.design import Fault

# two-sided 99.98 % limits: a sound simulator fails one such test in 5,000 seeds, and the seeds are fixed
P_LIMITS = (1e-4, 1 - 1e-4)


def chi_square(counts, expected):
    """Σ (n − µ)²/µ and the limits it keeps for a known mean."""
    degrees = len(counts)
    return ((counts - expected) ** 2 / expected).sum(), stats.chi2.ppf(P_LIMITS, degrees)


def expected_counts(source, per_second_kbq=6.0, background_cps=3.0):
    """Mean of each counting of a sound probe without repositioning or dead time, from the source alone."""
    activity = 300.0 * np.exp2(-(source["day"] + 20.0) / 271.81)
    return (activity * per_second_kbq + background_cps) * source["count_time_s"]


def test_a_sound_probe_is_poisson(counted, net_rates):
    """Without repositioning the counts on the source keep chi-square about their mean, and so do the backgrounds."""
    fleet = counted()
    source = net_rates(fleet)
    value, limits = chi_square(source["counts"], expected_counts(source))
    assert limits[0] < value < limits[1]
    background = fleet.tables["readings"].query("measurement == 'background'")["counts"]
    value, limits = chi_square(background, 30.0)
    assert limits[0] < value < limits[1]


def test_repositioning_adds_its_own_variance(counted, net_rates):
    """With 1.2 % repositioning the relative variance beyond counting is (1.2 %)² within its sampling error."""
    rates = net_rates(counted(probe={"repositioning_pct": 1.2}, copies=40, days=280.0))
    expected = expected_counts(rates)
    beyond = ((rates["counts"] / expected - 1) ** 2 - 1 / expected).mean()
    assert np.sqrt(beyond) == pytest.approx(0.012, rel=0.1)


def test_repeats_share_one_positioning_unless_reseated(counted):
    """Repeats without reseating move together; reseated ones do not."""
    for reseated, together in ((False, True), (True, False)):
        fleet = counted(probe={"repositioning_pct": 3.0, "repeats": 2, "reseated_repeats": reseated}, days=700.0)
        counts = (
            fleet.tables["readings"]
            .query("measurement == 'source'")
            .pivot_table(index=fleet.tables["readings"]["taken_at"].dt.date, columns="repeat", values="counts")
        )
        first, second = (np.log(counts[number]) for number in (1, 2))
        decay = np.arange(len(counts))
        residuals = [one - np.polyval(np.polyfit(decay, one, 1), decay) for one in (first, second)]
        correlation = np.corrcoef(*residuals)[0, 1]
        assert (correlation > 0.7) == together, correlation


@pytest.mark.parametrize(("kind", "size", "low"), [("pulser", 0.95, True), ("double_pulsing", 0.3, False)])
def test_electronics_spread_too_little_or_too_much(counted, kind, size, low):
    """Ten repeats of a check: a clocked pulser spreads them far too little, pulses counted twice far too much."""
    fleet = counted(faults=(Fault("P-1", kind, 0.0, size=size),), probe={"repeats": 10}, days=365.0)
    source = fleet.tables["readings"].query("measurement == 'source'")
    check = source.groupby(source["taken_at"].dt.date)["counts"]
    mean = (check.var() / check.mean()).mean()
    assert mean < 0.15 if low else mean > 3.0


def test_mains_adds_pulses_without_spread(counted):
    """Fifty pulses a second from the mains add 500 to each ten seconds, and nothing to the variance."""
    fleet = counted(faults=(Fault("P-1", "mains", 0.0, size=50.0),))
    background = fleet.tables["readings"].query("measurement == 'background'")["counts"]
    value, limits = chi_square(background - 500, 30.0)
    assert limits[0] < value < limits[1]


def test_a_splash_of_tc99m_decays_with_six_hours(counted):
    """Backgrounds after a splash of 400,000 cps follow 6.0067 h: one day later a factor of 2^(−24/6.0067) is left."""
    splash = Fault("P-1", "contamination_splash", 100.0, size=400_000.0)
    readings = counted(faults=(splash,), probe={"cadence_days": 1.0}, days=120.0).tables["readings"]
    background = readings.query("measurement == 'background'")
    hours = (background["taken_at"] - np.datetime64("2021-04-14")).dt.total_seconds() / 3600
    after = (hours > 0) & (hours < 60)
    expected = (400_000.0 * np.exp2(-hours[after] / 6.0067) + 3.0) * 10
    assert after.sum() >= 2
    assert (np.abs(background["counts"][after] - expected) < 5 * np.sqrt(expected)).all()


def test_intermittent_contact_loses_counts_now_and_then(counted, net_rates):
    """With a probability of 0.25 a counting loses a tenth or more; sound ones never do."""
    rates = net_rates(counted(faults=(Fault("P-1", "intermittent", 548.0, size=0.25),), copies=1, days=1096.0))
    low = rates["counts"] / expected_counts(rates) < 0.92
    before = rates["day"] < 548.0
    assert not low[before].any()
    assert 0.12 < low[~before].mean() < 0.4


def test_a_dead_cable_counts_next_to_nothing(counted):
    """From the onset on, source and background alike count no more than a few pulses, and the true response is 0."""
    fleet = counted(faults=(Fault("P-1", "dead_cable", 10.0, seen_by_last=2),))
    readings = fleet.tables["readings"]
    dead = readings[readings["taken_at"] > fleet.truth.faults["onset_at"].iloc[0]]
    assert dead["taken_at"].dt.date.nunique() == 2
    assert (dead["counts"] <= 3).all()
    assert (fleet.truth.checks["response_pct"].tail(2) == 0.0).all()


@pytest.mark.parametrize(
    ("kind", "column", "logged", "size"),
    [
        ("temperature", "temperature_c", "logs_temperature", -0.02),
        ("battery", "battery_pct", "logs_battery", -0.3),
        ("polarisation", "on_minutes", "logs_on_minutes", -0.3),
    ],
)
def test_upsets_go_with_what_is_logged(counted, net_rates, kind, column, logged, size):
    """A probe that minds room, battery or time since switch-on goes with that column and a sound one does not."""
    for faults, minds in (((Fault("P-1", kind, 0.0, size=size),), True), ((), False)):
        rates = net_rates(counted(faults=faults, probe={logged: True}, site={"room_swing_c": 3.0}))
        rank = stats.spearmanr(rates[column], rates["counts"] / expected_counts(rates)).statistic
        assert (abs(rank) > 0.3) == minds, rank
