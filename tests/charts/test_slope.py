"""The line through a unit's first checks, and settling by checks and not by rows."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from analytics.charts.openings import open_and_settle
from analytics.charts.slope import after_service, slope_chart, slope_limit
from tests.baseline.logbook import advice, response, sound_log, weekly
from tests.charts.plain_rows import plain_rows

SD, CHECKS = 0.02, 30


def line(x, *, persistent=0.0, source=None, dead_band=0.0, most=CHECKS):
    """The chart of units given as rows of a table."""
    x = np.asarray(x, float)
    rows = plain_rows([x.shape[1]] * len(x), x.ravel(), source=source)
    n = x.size
    yes = np.ones(n, bool)
    made = slope_chart(rows, x.ravel(), np.full(n, SD**2), np.full(n, persistent), yes, ~yes, most, dead_band)
    return made.z.reshape(x.shape), made.change.reshape(x.shape)


def test_it_is_weighted_least_squares():
    """Slope over its stated error, of the WLS of statsmodels, at every number of checks from six on."""
    x = SD * np.random.default_rng(1).standard_normal((1, CHECKS)) - 0.001 * np.arange(CHECKS)
    z, change = line(x)
    assert (z[0, :5] == 0).all()
    for k in (6, 11, CHECKS):
        t = 7.0 * np.arange(k)
        fit = sm.WLS(x[0, :k], sm.add_constant(t), weights=np.full(k, SD**-2)).fit(cov_type="fixed scale")
        assert z[0, k - 1] == pytest.approx(fit.params[1] / fit.bse[1], rel=1e-6)
        assert change[0, k - 1] == pytest.approx(fit.params[1] * t[-1], rel=1e-6)


def test_a_sound_unit_passes_the_limit_as_seldom_as_stated():
    """Of 2000 sound units 2 % pass the one-sided limit for 2 % within forty checks."""
    z, _ = line(SD * np.random.default_rng(2).standard_normal((2000, 40)), most=40)
    assert (z.max(axis=1) > slope_limit(0.02)).mean() == pytest.approx(0.02, abs=0.009)


def test_what_a_bridge_may_have_moved_is_no_drift():
    """A step at a change of source is worth less the less the bridge is known."""
    x = np.where(np.arange(CHECKS) < 15, 0.0, -0.04)[None, :]
    source = (np.arange(CHECKS) >= 15).astype(int)
    sure, unsure = (abs(line(x, persistent=p, source=source)[0][0, -1]) for p in (0.0, 0.04**2))
    assert sure > 4.0
    assert unsure < 1.0


def test_beyond_the_reference_it_is_not_asked():
    """After so many checks the core takes over."""
    z, _ = line(-0.01 * np.arange(CHECKS)[None, :], most=12)
    assert (np.abs(z[0, 6:12]) > 2.5).all()
    assert (z[0, 12:] == 0).all()


def test_a_loss_goes_on_only_in_the_next_unit_of_its_series():
    """The unit after the one whose alarm stood when its reference ended, and no other."""
    rows = plain_rows([3, 3, 3], np.zeros(9))
    object.__setattr__(rows, "unit_series", np.array([0, 0, 1]))
    ends = np.array([50.0, np.inf, np.inf])
    assert after_service(rows, [(0, "low"), (1, "high"), (2, "low")], ends).tolist() == [0, -1, 0]


def test_an_alarm_stays_open_for_so_many_checks_however_many_rows_each_has():
    """Three rows a check: six checks are eighteen rows."""
    ratio = np.zeros(30)
    ratio[2] = 2.0
    check = np.arange(30) // 3
    assert open_and_settle(ratio, np.ones(30, bool), 6, check) == [(2, 18)]
    assert open_and_settle(ratio, np.ones(30, bool), 6) == [(2, 8)]


def test_a_steep_beginning_is_settled_by_checks_that_agree_with_the_reference():
    """Four high first checks made a steep line; six checks that agree with the reference settle it, though the line is not quite flat."""
    log = sound_log(4, checks=45, seed=5)
    first = {0: 1.09, 1: 1.05, 2: 1.04, 3: 1.02}
    log.probe("X").checks("X", weekly(45, offset=0.2), rate_cps=250.0, level=lambda day: first.get(int(day // 7), 1.0))
    answer = log.assess(16 * 7.0 + 1)
    (alert,) = response(answer, "X").alerts
    assert (alert.rule, alert.direction) == ("drift", "low")
    assert alert.settled_at is not None
    assert advice(answer, "X").advice == "use"
