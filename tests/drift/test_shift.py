"""A window slip is forecast by its shift, put through the window model: nothing for a while, then steeply."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from analytics.counting.line_model import forward
from analytics.drift.shift import limit_shift
from analytics.fleet import assess
from analytics.simulate import simulate, to_records
from analytics.simulate.design import Design, Fault, Jig, Probe, Site, Source
from tests.baseline.logbook import SHIPPED, response


@pytest.mark.parametrize("towards", [-1.0, 1.0])
def test_the_limit_shift_is_where_the_model_passes_the_limit(towards):
    """At the shift given the response is at 1 ± tolerance, and nearer to the start it is within."""
    found = limit_shift("Co-57", 122.06, 20.0, 8.0, 0.3, towards, 0.10)
    assert found is not None
    shift, falls = found
    between = np.linspace(0.3, shift, 40)
    response_there = np.asarray(forward("Co-57", 122.06, 20.0, 8.0, between))
    relative = response_there / response_there[0]
    assert (np.abs(relative[:-1] - 1.0) < 0.10).all()
    assert relative[-1] == pytest.approx(0.9 if falls else 1.1, abs=0.01)
    assert (shift - 0.3) * towards > 0


def test_a_wide_window_is_not_left_at_once():
    """A window of 20 % on a line of 8 %: a shift of 2 % is within tolerance on either side (trade: +0.8 % at −3 %)."""
    for towards in (-1.0, 1.0):
        found = limit_shift("Co-57", 122.06, 20.0, 8.0, 0.0, towards, 0.10)
        assert found is None or abs(found[0]) > 2.0


def test_a_tolerance_that_is_never_passed_has_no_limit():
    """A change of 99 % lies beyond any shift that is looked at upwards of a wide window."""
    assert limit_shift("Co-57", 122.06, 60.0, 8.0, 0.0, 1.0, 0.99) is None


def test_scatter_in_the_window_puts_the_limit_further_off():
    """Where only 85 % of the model's change is seen, the response passes at a larger shift."""
    whole = limit_shift("Co-57", 122.06, 20.0, 8.0, 0.0, 1.0, 0.10)
    diluted = limit_shift("Co-57", 122.06, 20.0, 8.0, 0.0, 1.0, 0.10, 0.85)
    assert diluted[0] > whole[0]


def sliding(per_year):
    """Six probes over two and a half years, the gain of the first sliding from the first half-year on."""
    probes = tuple(
        Probe(f"P-{n}", "A", jig="J", window_check_days=120.0, repositioning_pct=0.6, sensitivity_cps_per_kbq=12.0)
        for n in range(1, 7))
    plan = Design(
        starts_at=datetime(2021, 1, 4), days=800.0, sites=(Site("A"),), probes=probes,
        sources=(Source("CK", "A", -20.0, 400.0, -10.0),), jigs=(Jig("J", "A"),),
        faults=(Fault("P-1", "gain_drift", 150.0, per_year=per_year),), blunder_rate=0.0)
    made = simulate(plan, 5)
    return made, to_records(made)


def test_a_sliding_window_is_forecast_before_the_response_tells():
    """A gain that slides 3 % a year: forecast once the window shows it, the true day of 10 % in the interval."""
    made, records = sliding(0.03)
    crossing = made.truth.faults["crosses_10_at"].iloc[0]
    as_of = made.starts_at + timedelta(days=640)
    assert crossing > as_of
    answer = assess(records, SHIPPED, as_of)
    series = response(answer, "P-1")
    assert answer.probe("P-1").cause == "window_slip"
    assert series.crossing is not None
    assert series.crossing.p05 <= crossing.date() <= (series.crossing.p95 or crossing.date())
    for n in range(2, 7):
        other = response(answer, f"P-{n}").crossing
        assert other is None or other.p95 is None
