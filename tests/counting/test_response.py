"""Response, its variance, and everything that has to be said about it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analytics.counting import Counted, Flag, expected_log_var
from analytics.counting.nuclides import half_life_days

Count = Callable[..., Counted]


def _source(at: str, counts: float = 20_000, **more: object) -> dict[str, object]:
    return {"taken_at": at, "counts": counts, **more}


def _blank(at: str, counts: float = 30, **more: object) -> dict[str, object]:
    return {"taken_at": at, "counts": counts, "measurement": "background", **more}


def test_a_response_by_hand(count: Count) -> None:
    """100 d after reference: (20,000/10 − 30/10)/(1000 · 2^(−100/271.74)) cps/kBq, with the variance of the formula."""
    points = count([_blank("2024-04-10T00:00"), _source("2024-04-10T00:01")]).response
    days = 100 + (60 + 5) / 86_400
    expected = 1997 / (1000 * 2 ** (-days / 271.74))
    variance = (20_000 / 10**2 + 30 / 10**2) / 1997**2
    assert points.age_days.tolist() == pytest.approx([days], rel=1e-12)
    assert points.response.tolist() == pytest.approx([expected], rel=1e-12)
    assert points.log_var.tolist() == pytest.approx([variance], rel=1e-12)
    assert points.log_response.tolist() == pytest.approx([np.log(expected) + variance / 2], rel=1e-12)


def test_dead_time_is_corrected_before_the_background(count: Count) -> None:
    """With 10 µs non-paralysable, gross and background are corrected each on its own and the variance grows by F²."""
    probes = {"probe": ["GP-1"], "site": ["N"], "dead_time_us": [10.0], "dead_time_model": ["non_paralysable"]}
    points = count([_blank("2024-01-01T00:00", 5_000), _source("2024-01-01T00:00:10", 200_000)], probes=probes).response
    gross, blank = 20_000 / (1 - 0.2), 500 / (1 - 0.005)
    assert points.net_cps.tolist() == pytest.approx([gross - blank])
    variance = 200_000 / 100 / 0.8**4 + 5_000 / 100 / 0.995**4
    assert points.log_var.tolist() == pytest.approx([variance / (gross - blank) ** 2])
    assert points.flags.tolist() == [Flag.DEAD_TIME_LOSS]
    assert points.dead_time_loss.tolist() == pytest.approx([0.2])


def test_a_rate_beyond_the_dead_time_model_is_undetermined(count: Count) -> None:
    """Above 0.368/τ of a paralysable probe there is a flag and no response."""
    probes = {"probe": ["GP-1"], "site": ["N"], "dead_time_us": [10.0], "dead_time_model": ["paralysable"]}
    points = count([_source("2024-01-01T00:00", 400_000)], probes=probes).response
    assert points.flags[0] & Flag.BRANCH_REFUSED
    assert not points.no_signal[0]
    assert np.isnan([points.response[0], points.log_response[0], points.log_var[0]]).all()


def test_repeats_are_pooled(count: Count) -> None:
    """Three repeats are one point with the counts and times of all three; their room data are averaged."""
    points = count([
        _source("2024-02-01T08:00", 20_000, temperature_c=20.0),
        _source("2024-02-01T08:01", 20_100, temperature_c=22.0),
        _source("2024-02-01T08:02", 40_200, count_time_s=20.0),
    ]).response
    assert points.gross_counts.tolist() == [80_300]
    assert points.gross_time_s.tolist() == [40]
    assert points.temperature_c.tolist() == [21.0]
    assert np.isnan(points.battery_pct).all()
    assert points.log_var.tolist() == pytest.approx([1 / 80_300])


def test_each_state_of_a_check_is_kept_and_the_last_is_its_value(count: Count) -> None:
    """The states hold the check after one, two and three repeats, as it would have been asked for at that moment."""
    readings = [_source(f"2024-02-01T08:0{i}", 20_000 + 300 * i) for i in range(3)]
    whole = count(readings)
    assert whole.response_states.repeats.tolist() == [1, 2, 3]
    for number in (1, 2, 3):
        then = count(readings[:number]).response
        assert whole.response_states.response[number - 1] == then.response[0]
        assert whole.response_states.check_at[number - 1] == then.check_at[0]
    assert whole.response.response.tolist() == [whole.response_states.response[2]]


def test_repeats_of_one_moment_come_in_together(count: Count) -> None:
    """Numbered repeats with one time stamp make one state, not several with the same date."""
    counted = count([_source("2024-02-01T08:00", repeat=number) for number in (1, 2, 3)])
    assert counted.response_states.repeats.tolist() == [3]


def test_no_net_counts_are_no_signal_and_no_logarithm(count: Count) -> None:
    """A dead cable or a forgotten source is below the decision limit: no signal, and no logarithm is taken."""
    points = count([
        _blank("2024-02-01T08:00"), _source("2024-02-01T08:01", 0),
        _blank("2024-02-02T08:00"), _source("2024-02-02T08:01", 42),
        _blank("2024-02-03T08:00", 0), _source("2024-02-03T08:01", 0),
        _blank("2024-02-04T08:00"), _source("2024-02-04T08:01", 44),
    ]).response
    # L_C of 30 against 30 counts is 1.645·√60 = 12.7 counts
    assert points.decision_limit_cps[0] * 10 == pytest.approx(1.6448536 * np.sqrt(60))
    assert points.no_signal.tolist() == [True, True, True, False]
    assert np.isnan(points.log_response).tolist() == [True, True, True, False]
    assert all(bool(one & Flag.NO_SIGNAL) == silent for one, silent in zip(points.flags, points.no_signal, strict=True))


def test_nothing_counted_and_no_background_is_no_signal_too(count: Count) -> None:
    """Zero gross counts are no signal also where no background was ever counted."""
    assert count([_source("2024-02-01T08:00", 0)]).response.no_signal.tolist() == [True]


def test_a_source_without_activity_is_read_in_cps_at_its_reference_date(count: Count) -> None:
    """Without a certificate the response is cps decayed back to the reference date, and the flag says so."""
    points = count([_source("2024-09-28T17:45:31", source="CK-bare")]).response
    left = 2 ** (-points.age_days[0] / 271.74)
    assert points.response.tolist() == pytest.approx([2_000 / left])
    assert points.flags[0] & Flag.NO_ACTIVITY
    assert np.isnan(points.activity_kbq).all()


def test_before_its_reference_date_a_source_is_decayed_backwards(count: Count) -> None:
    """Used before its reference date, a source was stronger than stated; the value says that it was."""
    points = count([_source("2023-12-01T00:00")]).response
    assert points.decay_factor[0] == pytest.approx(2 ** (31 / 271.74), rel=1e-6)
    assert points.flags[0] & Flag.BEFORE_REFERENCE


def test_an_unknown_nuclide_gives_no_response_and_no_crash(count: Count) -> None:
    """Without a half-life there is no decay correction: no response, the flag, and the net rate still stands."""
    points = count([_source("2024-02-01T08:00", source="CK-odd")]).response
    assert points.flags[0] & Flag.NO_HALF_LIFE
    assert np.isnan(points.response).all()
    assert np.isnan(points.log_response).all()
    assert points.net_cps.tolist() == [2_000]
    assert not points.no_signal[0]


def test_a_displayed_rate_carries_its_rounding(count: Count) -> None:
    """A rate read to 10 cps adds 10²/12 (1/s)² to its counting variance, reported apart as well."""
    points = count([
        {"taken_at": "2024-02-01T08:00", "counts": None, "rate_cps": 2_000.0, "rate_step_cps": 10.0}]).response
    assert points.gross_counts.tolist() == [20_000]
    assert points.rounding_var.tolist() == pytest.approx([100 / 12 / 2_000**2])
    assert points.log_var.tolist() == pytest.approx([1 / 20_000 + 100 / 12 / 2_000**2])
    assert points.flags[0] & Flag.DERIVED
    assert points.chi_square_dof.tolist() == [0]


def test_the_half_lifes_uncertainty_is_apart_and_grows_with_age(count: Count) -> None:
    """u(T½) is shared by all checks of a nuclide: not in the counting variance, and quadratic in the source's age."""
    points = count([_source("2025-01-01T00:00"), _source("2026-01-01T00:00")]).response
    relative = np.sqrt(points.half_life_var)
    assert relative == pytest.approx(np.log(2) * points.age_days / 271.74 * np.hypot(0.04, 0.07) / 271.74, rel=1e-9)
    assert points.log_var.tolist() == [1 / 20_000, 1 / 20_000]


def test_expected_variance_does_not_follow_the_observed_counts(count: Count) -> None:
    """A low and a high count of one source get the same expected variance, that of the expected counts."""
    points = count([_source("2024-01-01T00:00", 120), _source("2024-01-01T03:00", 180)]).response
    level = np.log(0.015)      # 150 counts in 10 s of 1000 kBq
    variance = expected_log_var(points, np.full(2, level))
    assert variance.tolist() == pytest.approx([1 / 150, 1 / 150], rel=1e-3)
    assert points.log_var[0] > points.log_var[1]


def test_expected_weights_do_not_bias_a_mean_of_small_counts() -> None:
    """On 150-count checks the corrected logarithm averages to the truth within 0.1 %; the plain one is 0.33 % low."""
    rng = np.random.default_rng(7)
    counts = rng.poisson(150, 400_000).astype(float)
    plain = np.log(counts)
    corrected = plain + 0.5 / counts
    assert np.exp(plain.mean()) / 150 - 1 == pytest.approx(-1 / 300, abs=3e-4)
    assert abs(np.exp(corrected.mean()) / 150 - 1) < 1e-3
    by_observed = np.average(corrected, weights=counts)
    assert np.exp(by_observed) / 150 - 1 > 0.002


def test_expected_variance_by_simulation(count: Count) -> None:
    """With dead time and background the expected variance is the scatter that simulated checks show."""
    rng = np.random.default_rng(11)
    tau, net, blank, number = 20e-6, 4_000.0, 40.0, 3_000
    seen = (net + blank) / (1 + (net + blank) * tau)
    # the spread of counts behind a non-paralysable dead time is narrower than Poisson by (1 − mτ)²
    gross = np.round(rng.normal(seen * 10, np.sqrt(seen * 10), number))
    blanks = rng.poisson(blank * 10, number)
    readings = []
    for day in range(number):
        at = np.datetime64("2024-01-01T08:00") + np.timedelta64(day, "D")
        readings += [_blank(str(at), float(blanks[day])), _source(str(at + np.timedelta64(1, "m")), float(gross[day]))]
    probes = {"probe": ["GP-1"], "site": ["N"], "dead_time_us": [20.0]}
    sources = {"source": ["CK-1"], "nuclide": ["I-129"], "reference_at": ["2024-01-01"], "activity_kbq": [1000.0]}
    points = count(readings, probes=probes, sources=sources).response
    assert len(points) == number
    level = np.full(number, np.log(net / 1000))
    ratio = points.log_response.var(ddof=1) / expected_log_var(points, level).mean()
    # the sd of a variance ratio from 3,000 values is 2.6 %
    assert ratio == pytest.approx(1.0, abs=0.08)
    assert points.log_response.mean() == pytest.approx(level[0], abs=4 * np.sqrt(points.log_var.mean() / number))


@pytest.mark.parametrize(
    ("counts", "chi_square", "dof"),
    [([95, 105], 0.5, 1), ([100, 100, 100], 0.0, 2), ([100], None, 0), ([0, 0], None, 0)])
def test_chi_square_of_the_repeats(count: Count, counts: list[float], chi_square: float | None, dof: int) -> None:
    """Σ(N − mean)²/mean over the repeats; none for a single counting or for nothing counted."""
    points = count([_source(f"2024-02-01T08:0{i}", one) for i, one in enumerate(counts)]).response
    assert points.chi_square_dof.tolist() == [dof]
    expected = np.nan if chi_square is None else chi_square
    assert points.chi_square[0] == pytest.approx(expected, nan_ok=True)


def test_chi_square_keeps_placements_and_times_apart(count: Count) -> None:
    """A reseated step and a longer counting do not inflate chi-square: placements and times are kept apart."""
    points = count([
        _source("2024-02-01T08:00", 95), _source("2024-02-01T08:01", 105),
        _source("2024-02-01T08:02", 500, count_time_s=50.0),
        _source("2024-02-01T08:03", 195, reseated=True), _source("2024-02-01T08:04", 205),
    ]).response
    assert points.chi_square_dof.tolist() == [2]
    assert points.chi_square.tolist() == pytest.approx([0.5 + 0.25])


def test_decay_within_a_long_check_is_averaged(count: Count) -> None:
    """Two countings of Tc-99m two hours apart are set against the mean of what was left, not against one moment."""
    sources = {"source": ["CK-1"], "nuclide": ["Tc-99m"], "reference_at": ["2024-02-01T08:00"], "activity_kbq": [100.0]}
    half_life = float(half_life_days(["Tc-99m"])[0])
    left = 2 ** (-np.array([5 / 86_400, 5 / 86_400 + 2 / 24]) / half_life)
    counts = 20_000 * left
    readings = [_source("2024-02-01T08:00", round(counts[0])), _source("2024-02-01T10:00", round(counts[1]))]
    points = count(readings, sources=sources).response
    assert points.response.tolist() == pytest.approx([20.0], rel=1e-4)
