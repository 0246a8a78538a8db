"""The newest checks about the likeliest course of their series."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from analytics.advice.courses import FAR_FROM_COURSE, LEAST_FOR_COURSE, RECENT_CHECKS, about_courses
from analytics.charts.response import chart_responses
from analytics.counting import count_records
from analytics.drift.state import drift_state
from analytics.fleet import activity_variance
from tests.baseline.logbook import SHIPPED, Log, weekly

LOST = (210.0, 224.0, 238.0)  # days on which the contact of X cut out


@pytest.fixture(scope="module")
def made():
    """Charts and state of a sound probe, one that steps, one whose contact cuts out, and one with three checks."""
    log = Log(3).source().probe("S", "T", "X", "Y")
    log.checks("S", weekly(40)).checks("T", weekly(40, offset=0.1), level=lambda day: 1.0 if day < 140.0 else 0.9)
    log.checks("X", weekly(40, offset=0.2), level=lambda day: 0.8 if any(abs(day - one) < 1.0 for one in LOST) else 1.0)
    records = log.checks("Y", weekly(3, offset=0.3)).records()
    counted = count_records(records, SHIPPED)
    charts = chart_responses(
        counted.response_states, counted.names, records.events, activity_variance(records, counted, SHIPPED), SHIPPED)
    state = drift_state(charts, 0.1, float(charts.rows.at_days.max()))
    unit_of = {counted.names.probe[code]: unit for unit, code in enumerate(charts.rows.unit_probe)}
    return charts, state, unit_of


def course(state, unit, day):
    """Columns of the likeliest model of a series."""
    best = int(np.argmax(state.trends.weight[unit]))
    onset = state.trends.onset_days[unit, best]
    if not np.isfinite(onset):
        return np.ones((len(day), 1))
    ramp = state.trends.slope_var[unit, best] > 0
    return np.column_stack([np.ones(len(day)), np.maximum(day - onset, 0.0) if ramp else day >= onset])


def test_spread_and_outliers_are_those_of_least_squares_about_the_course(made):
    """Least squares of numpy on each series by itself, three times without what lies far off: the same spread and counts."""
    charts, state, unit_of = made
    found = about_courses(charts, state, np.arange(charts.rows.units))
    for name in ("S", "T", "X"):
        unit = unit_of[name]
        mine = np.flatnonzero((charts.rows.unit == unit) & charts.rows.last)
        x, sd = charts.corrected.x[mine], np.sqrt(charts.corrected.noise[mine])
        some = charts.outliers.admitted[mine]
        design, taken = course(state, unit, charts.rows.at_days[mine]), some
        for _ in range(3):
            fit = np.linalg.lstsq(design[taken] / sd[taken, None], x[taken] / sd[taken], rcond=None)[0]
            z = (x - design @ fit) / sd
            taken = some & (np.abs(z) < FAR_FROM_COURSE)
        z = z[-RECENT_CHECKS:]
        assert found.spread[unit] == pytest.approx(np.minimum(z**2, FAR_FROM_COURSE**2).mean(), rel=1e-6)
        assert found.far_below[unit] == (z < -FAR_FROM_COURSE).sum()


def test_a_step_is_no_bad_contact_and_a_bad_contact_is(made):
    """A tenth lost at once leaves no check far below the course; three checks at 80 % are counted."""
    charts, state, unit_of = made
    found = about_courses(charts, state, np.arange(charts.rows.units))
    assert found.far_below[unit_of["S"]] == found.far_below[unit_of["T"]] == 0
    assert found.far_below[unit_of["X"]] == len(LOST)
    assert found.spread[unit_of["T"]] < 2.0 < found.spread[unit_of["X"]]


def test_too_few_checks_have_no_spread(made):
    """Three checks, where six are needed."""
    charts, state, unit_of = made
    found = about_courses(charts, state, np.arange(charts.rows.units))
    assert LEAST_FOR_COURSE > 3
    assert np.isnan(found.spread[unit_of["Y"]])
    assert found.far_below[unit_of["Y"]] == 0


def test_a_series_has_the_same_answer_alone(made):
    """To the last digit, whichever others were asked for; those not asked for have none."""
    charts, state, _ = made
    every = about_courses(charts, state, np.arange(charts.rows.units))
    for unit in range(charts.rows.units):
        alone = about_courses(charts, state, np.array([unit]))
        for field in dataclasses.fields(every):
            one, among = getattr(alone, field.name), getattr(every, field.name)
            assert np.array_equal(one[[unit]], among[[unit]], equal_nan=True)
        assert np.isnan(np.delete(alone.spread, unit)).all()
