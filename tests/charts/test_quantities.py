"""Background, window and side: each against its own reference, alarmed when it matters."""

from __future__ import annotations

import numpy as np
import pytest

from analytics import settings
from tests.baseline.logbook import Log, advice, rules, sound_log, weekly


def with_windows(shares, *, every=180.0, seed=7):
    """A probe checked weekly, with window checks whose offset counts are these shares of the centred one."""
    log = sound_log(3, checks=110, seed=seed)
    log.windows.append(
        {"window": "Co-57", "nuclide": "Co-57", "centre_kev": 122.06, "width_pct": 20.0, "offset_pct": 10.0})
    log.probe("X", detector="CZT").checks("X", weekly(110, offset=0.2))
    for n, (below, above) in enumerate(shares):
        day = 1.0 + n * every
        centred = 15000.0 * 2.0 ** (-day / 271.74)
        log.count("X", day - 2e-3, "background", 30).count("X", day, "source", centred + 30)
        log.count("X", day + 1e-3, "window_below", round(below * centred) + 30)
        log.count("X", day + 2e-3, "window_above", round(above * centred) + 30)
    return log


def series_of(answer, probe, quantity):
    """The one series of a quantity."""
    (only,) = answer.series_of(probe, quantity)
    return only


def test_a_window_that_stays_is_no_alarm():
    """Five window checks alike: no window alarm, and the probe is `use`."""
    answer = with_windows([(0.55, 0.57)] * 4).assess(769.0)
    assert rules(answer, "X") == set()
    assert series_of(answer, "X", "window_shift").readings == 4


def test_a_window_that_moved_is_an_alarm_in_per_cent_of_its_energy():
    """Below falls, above rises: the photopeak moved up, the shift is said in %, the cause is the window."""
    answer = with_windows([(0.55, 0.57), (0.55, 0.57), (0.42, 0.72), (0.30, 0.90)]).assess(769.0)
    series = series_of(answer, "X", "window_shift")
    assert series.unit == "%"
    assert "window_shift" in rules(answer, "X", still_open=True)
    assert series.current > series.reference.value
    assert {a.direction for a in series.alerts if a.rule == "window_shift"} == {"high"}
    assert advice(answer, "X").cause == "window_slip"


def test_a_new_reference_starts_the_window_anew():
    """After a recentring the alarm is settled, and the next checks are held against the new place."""
    log = with_windows([(0.55, 0.57), (0.30, 0.90), (0.56, 0.55), (0.56, 0.55)], every=150.0)
    answer = log.event("X", 300.0, "recentred", new_reference=True).assess(769.0)
    assert "window_shift" in rules(answer, "X")
    assert "window_shift" not in rules(answer, "X", still_open=True)


def test_not_centred_is_said_at_once():
    """One offset count plainly above the centred one: below_side_readings, from the very first window check."""
    answer = with_windows([(1.15, 0.30)]).assess(769.0)
    assert rules(answer, "X", still_open=True) >= {"below_side_readings"}
    (alert,) = [a for a in series_of(answer, "X", "window_shift").alerts if a.rule == "below_side_readings"]
    assert alert.direction == "low"


def mis_set(later):
    """A window check on day 301 whose centred counting was taken with the window set elsewhere; then so many weekly checks."""
    log = sound_log(3, checks=43 + later)
    log.windows.append({"window": "Co-57", "nuclide": "Co-57", "centre_kev": 122.06, "width_pct": 20.0, "offset_pct": 10.0})
    log.probe("X").checks("X", weekly(43, offset=0.2))
    decay = 2.0 ** (-301.0 / 271.74)
    log.count("X", 301.0, "background", 30).count("X", 301.002, "source", round(0.3 * 15000 * decay) + 30)
    log.count("X", 301.003, "window_below", round(0.55 * 15000 * decay) + 30)
    log.count("X", 301.004, "window_above", round(0.57 * 15000 * decay) + 30)
    return log.checks("X", weekly(later, 308.0)) if later else log


def test_a_centred_counting_that_was_a_blunder_says_nothing_of_the_window():
    """At that moment nobody knows, and the alarm stands; the next check, as ever, settles it, and the probe is fit again."""
    assert "below_side_readings" in rules(mis_set(0).assess(302.0), "X", still_open=True)
    answer = mis_set(1).assess(309.0)
    assert "below_side_readings" in rules(answer, "X")
    assert rules(answer, "X", still_open=True) == set()
    assert advice(answer, "X").advice == "use"


def test_a_window_not_registered_is_a_log_ratio():
    """Without an offset the shift has no scale: the series is the log ratio of above and below."""
    log = with_windows([(0.5, 0.6)] * 3)
    log.windows.clear()
    series = series_of(log.assess(769.0), "X", "window_shift")
    assert series.unit == "log ratio"
    assert series.current == pytest.approx(np.log(0.6 / 0.5), abs=0.02)


@pytest.mark.parametrize(("factor", "alarm"), [(1.3, False), (4.0, True)])
def test_a_background_alarms_when_it_is_both_sure_and_large(factor, alarm):
    """A background 1.3 times its usual level is sure with enough counts, and under the factor the site set (1.5)."""
    log = sound_log(3)
    log.probe("X").checks("X", weekly(39, offset=0.2), background_cps=50.0)
    log.checks("X", [39 * 7.0], background_cps=50.0 * factor)
    answer = log.assess(39 * 7.0 + 1)
    assert ("background" in rules(answer, "X")) == alarm
    series = series_of(answer, "X", "background")
    assert series.reference.value == pytest.approx(50.0, rel=0.05)
    assert series.current_pct == pytest.approx(100 * factor, rel=0.12)


def test_the_sites_own_background_factor_holds():
    """With the factor set to 1.2, a background of 1.3 times its level alarms."""
    log = sound_log(3)
    log.probe("X").checks("X", weekly(39, offset=0.2), background_cps=200.0)
    log.checks("X", [39 * 7.0], background_cps=300.0)
    strict, lax = (settings.load({"limits": {"background_factor": f}}) for f in (1.2, 2.5))
    assert "background" in rules(log.assess(39 * 7.0 + 1, strict), "X")
    assert "background" not in rules(log.assess(39 * 7.0 + 1, lax), "X")


def test_a_low_background_is_no_alarm():
    """A background that fell to a fifth is nobody's contamination."""
    log = sound_log(3)
    log.probe("X").checks("X", weekly(35, offset=0.2), background_cps=20.0)
    log.checks("X", weekly(5, 35 * 7.0), background_cps=4.0)
    assert rules(log.assess(39 * 7.0 + 1), "X") == set()


def test_a_shield_that_moved_shows_in_the_side_reading_alone():
    """Side counts at three times their share, the front as ever: a side alarm, cause shield."""
    log = sound_log(3)
    log.probe("X").checks("X", weekly(40, offset=0.2))
    for n in range(20):
        share = (0.02 if n < 15 else 0.06) * 2.0 ** (-14.0 * n / 271.74)
        log.count("X", 14.0 * n + 0.21, "side", float(log.rng.poisson(30 + 15000 * share)))
    answer = log.assess(39 * 7.0 + 1)
    assert rules(answer, "X", still_open=True) == {"side"}
    assert advice(answer, "X").cause == "shield"
    assert series_of(answer, "X", "side").current == pytest.approx(6.0, rel=0.15)


def test_alarms_are_dated_to_the_counting_that_tipped_them():
    """The background alarm carries the moment of that background counting, not of the source counting after it."""
    log = Log(3).source().probe("X").checks("X", weekly(20), background_cps=3.0)
    log.checks("X", [140.0], background_cps=40.0)
    (alert,) = series_of(log.assess(141.0), "X", "background").alerts
    assert alert.signalled_at == log.readings[-2]["taken_at"]
