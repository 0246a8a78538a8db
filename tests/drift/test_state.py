"""What is said of level, drift and crossing at the newest check of a real log."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from tests.baseline.logbook import START, advice, response, sound_log, weekly

YEAR = 365.2422


def drifting(per_year, checks=70, since=0.0, **more):
    """Four sound probes and one that loses so much a year."""
    log = sound_log(4, checks=checks, **more)
    fall = lambda day: np.exp(per_year * max(day - since, 0.0) / YEAR)  # noqa: E731
    return log.probe("X").checks("X", weekly(checks, offset=0.2), rate_cps=3000.0, level=fall)


def test_a_crossing_holds_the_true_day():
    """Six per cent a year: the true passage of 90 % lies in the interval, its median within a third of the time."""
    answer = drifting(-0.06, since=150.0).assess(69 * 7.0 + 1)
    series = response(answer, "X")
    true = (START + timedelta(days=150.0 + YEAR * np.log(1 / 0.9) / 0.06)).date()
    assert series.crossing.limit_pct == 90.0
    assert series.crossing.p05 <= true <= (series.crossing.p95 or true)
    left = (true - answer.as_of.date()).days
    assert abs((series.crossing.p50 - true).days) < left / 3
    chances = list(series.crossing.probability_within_days.values())
    assert chances == sorted(chances)


def test_a_rise_crosses_the_upper_limit():
    """A response that rises is forecast to the upper limit."""
    series = response(drifting(+0.06).assess(69 * 7.0 + 1), "X")
    assert series.crossing.limit_pct == pytest.approx(110.0)
    assert series.drift_pct_per_year > 0


def test_no_drift_no_date():
    """Sound probes have no late end of a crossing, and an interval of the drift that holds zero."""
    answer = drifting(-0.06).assess(69 * 7.0 + 1)
    for n in range(1, 5):
        series = response(answer, f"S-{n}")
        assert series.crossing is None or series.crossing.p95 is None
        assert series.drift_interval[0] < 0 < series.drift_interval[1]


def test_beyond_the_limit_nothing_is_forecast():
    """A probe that has passed the limit is not told when it will."""
    series = response(drifting(-0.15, checks=70).assess(69 * 7.0 + 1), "X")
    assert series.current_pct < 90.0
    assert series.crossing is None


def test_the_current_interval_holds_the_true_level():
    """Of 40 sound and drifting probes the 90 % interval of the level holds the true one in at least 75 %."""
    held = []
    for seed in range(5):
        log = sound_log(8, checks=45, seed=20 + seed, placing=0.008)
        answer = log.assess(44 * 7.0 + 1)
        for n in range(1, 9):
            series = response(answer, f"S-{n}")
            truth = (1200.0 + 150.0 * n) / 300.0
            held.append(series.current_interval[0] <= truth <= series.current_interval[1])
    # 0.9 less three standard errors of a share of 40, which is 0.14.
    assert np.mean(held) >= 0.75


def test_the_slope_interval_of_a_drifter_holds_its_slope():
    """Eight per cent a year: the interval holds it and is no wider than a third of it."""
    series = response(drifting(-0.08, checks=60).assess(59 * 7.0 + 1), "X")
    low, high = (v / series.current * 100 for v in series.drift_interval)
    assert low < -8.0 < high
    assert high - low < 8.0


@pytest.mark.parametrize(("checks", "since"), [(70, 41), (120, 11)])
def test_a_step_has_no_slope_to_speak_of(checks, since):
    """After a step of 7 %, long ago or of late, the drift said is near zero, and nothing is forecast with a late end."""
    log = sound_log(4, checks=checks)
    stepped = 7.0 * (checks - since)
    log.probe("X").checks("X", weekly(checks, offset=0.2), rate_cps=3000.0, level=lambda d: 0.93 if d > stepped else 1.0)
    answer = log.assess((checks - 1) * 7.0 + 1)
    series = response(answer, "X")
    assert abs(series.drift_pct_per_year) < 2.0
    assert series.crossing is None or series.crossing.p95 is None
    assert advice(answer, "X").cause == "sudden_loss"


def test_a_drift_that_was_repaired_is_forgotten():
    """After a new reference only what came after it counts: no drift is left over from before."""
    log = drifting(-0.10, checks=50)
    log.event("X", 349.0, "repair", new_reference=True)
    log.checks("X", weekly(30, 350.2), rate_cps=3300.0)
    for n in range(1, 5):
        log.checks(f"S-{n}", weekly(30, 350.0 + 0.02 * n), rate_cps=1200.0 + 150.0 * n)
    series = response(log.assess(29 * 7.0 + 351), "X")
    assert series.drift_interval[0] < 0 < series.drift_interval[1]
    assert series.current_pct == pytest.approx(100.0, abs=1.5)


DIPS = {34 * 7: 0.5, 35 * 7: 0.4, 41 * 7: 0.3, 45 * 7: 0.45, 46 * 7: 0.5, 47 * 7: 0.6}


def cut_out(after):
    """A cable that cut out for one to three checks at a time, and was replaced on day 332; so many checks after it."""
    log = sound_log(4, checks=48 + after)
    level = lambda day: DIPS.get(round(day - 0.2), 1.0)  # noqa: E731
    log.probe("X").checks("X", weekly(48 + after, offset=0.2), rate_cps=3000.0, level=level)
    return log.event("X", 332.0, "cable_replaced")


def test_dips_that_are_over_do_not_stay_in_the_level():
    """Ten good checks after a cable that cut out was replaced, the level is what they say, and the alarm of scatter answered."""
    answer = cut_out(10).assess(57 * 7.0 + 1)
    series, said = response(answer, "X"), advice(answer, "X")
    assert series.current_pct == pytest.approx(100.0, abs=1.0)
    assert said.facts["probability_outside_now"] < 0.01
    assert said.facts["probability_service_not_held"] < 0.15
    assert said.advice in ("use", "watch")


def test_a_dip_counts_until_the_checks_after_it_deny_it():
    """With one good check after three low ones, nobody knows yet whether the signal is back."""
    said = advice(cut_out(1).assess(48 * 7.0 + 1), "X")
    assert said.advice not in ("use", "watch")


def test_chances_are_counted_from_the_moment_asked_for():
    """Two months after the newest check, passing within 90 days is likelier than it was, for 60 of them are gone."""
    log = drifting(-0.06, since=150.0)
    early, late = (response(log.assess(69 * 7.0 + wait), "X").crossing for wait in (1.0, 61.0))
    assert late.probability_within_days[182] > early.probability_within_days[182] + 0.01


@pytest.mark.parametrize(("per_year", "checks"), [(-0.06, 70), (-0.03, 60), (-0.12, 34), (+0.05, 50)])
def test_dates_and_chances_are_of_one_distribution(per_year, checks):
    """Chances rise with the days, and reach 5, 50 and 95 % within so many days just where the date falls inside them."""
    answer = drifting(per_year, checks=checks, since=100.0).assess((checks - 1) * 7.0 + 1)
    made = [one.crossing for one in answer.series if one.crossing is not None]
    assert response(answer, "X").crossing in made
    for crossing in made:
        chances = crossing.probability_within_days
        assert list(chances.values()) == sorted(chances.values())
        for share, day in ((0.05, crossing.p05), (0.50, crossing.p50), (0.95, crossing.p95)):
            for days, chance in chances.items():
                left = np.inf if day is None else (day - answer.as_of.date()).days
                if left > days:
                    assert chance < share + 0.01
                elif left < days - 1:
                    assert chance > share - 0.01


def test_a_newest_check_that_fell_and_was_placed_again_tells_the_level():
    """Forty per cent lost since the last check, seen at two placings: the level is that, and not the mean of it and the check before."""
    log = sound_log(4, checks=60)
    log.probe("X").checks("X", weekly(60, offset=0.2), rate_cps=3000.0)
    fallen = 60 * 7.0 + 0.2
    for repeat in (1, 2):
        log.checks(
            "X", [fallen + 0.001 * repeat], rate_cps=3000.0, level=lambda _day: 0.6, background=repeat == 1, repeat=repeat,
            reseated=repeat == 2,
        )
    series = response(log.assess(fallen + 0.5), "X")
    assert series.current_pct == pytest.approx(60.0, abs=3.0)
    assert abs(series.drift_pct_per_year) < 2.0
