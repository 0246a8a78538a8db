"""A response that goes with battery, temperature or time since switch-on is said to, with its coefficient."""

from __future__ import annotations

import re

import numpy as np
import pytest
import statsmodels.api as sm

from analytics.advice.companions import companions
from analytics.charts.response import chart_responses
from analytics.counting import count_records
from analytics.fleet import activity_variance
from tests.baseline.logbook import SHIPPED, Log, advice, response, rules, weekly


def logged(column, values, effect, *, others=3, seed=3):
    """A probe checked weekly with a logged quantity; ``effect(value)`` is what the response is multiplied by."""
    log = Log(seed).source()
    for n in range(others):
        log.probe(f"S-{n}").checks(f"S-{n}", weekly(len(values), offset=0.02 * n), rate_cps=2500.0)
    log.probe("X")
    for day, value in zip(weekly(len(values), offset=0.3), values, strict=True):
        log.checks("X", [day], rate_cps=3000.0, level=lambda _d, v=value: effect(v), **{column: value})
    return log


def room(checks=60, seed=1):
    """Room temperatures that go up and down."""
    return np.round(np.random.default_rng(seed).uniform(18.0, 30.0, checks), 1)


def charts_of(log):
    """The response charts of a log."""
    records = log.records()
    counted = count_records(records, SHIPPED)
    made = chart_responses(
        counted.response_states, counted.names, records.events, activity_variance(records, counted, SHIPPED), SHIPPED)
    return made, counted


def test_a_response_that_goes_with_the_room_is_said_with_its_coefficient():
    """One per cent a degree: the companion is the temperature, its coefficient near that, and it is not called drift."""
    answer = logged("temperature_c", room(), lambda t: np.exp(-0.01 * (t - 22.0))).assess(59 * 7.0 + 1)
    (sentence,) = [text for text in advice(answer, "X").reasons if "goes with" in text]
    assert "temperature" in sentence
    assert "not called drift" in sentence
    said = float(re.search(r"falls by ([\d.]+) % for each degree", sentence)[1])
    assert said == pytest.approx(1.0, abs=0.2)
    assert advice(answer, "X").cause == "battery_or_temperature"
    assert all("goes with" not in text for n in range(3) for text in advice(answer, f"S-{n}").reasons)


def test_the_coefficient_is_that_of_weighted_least_squares():
    """The WLS of statsmodels on the charted values beside a parabola in time: the same coefficient and t value.

    The fit gives blunders a little room, which on sound data is worth less than two per cent.
    """
    log = logged("temperature_c", room(40), lambda t: np.exp(-0.012 * (t - 22.0)))
    charts, counted = charts_of(log)
    found = companions(charts, counted.response_states)
    unit = next(u for u in range(charts.rows.units) if counted.names.probe[charts.rows.unit_probe[u]] == "X")
    assert "40 checks" in found[unit].text
    assert "above" not in found[unit].text
    mine = np.flatnonzero((charts.rows.unit == unit) & charts.rows.last)
    warm = counted.response_states.temperature_c[charts.rows.index[mine]]
    day = (charts.rows.at_days[mine] - charts.rows.at_days[mine].mean()) / 100.0
    design = sm.add_constant(np.column_stack([day, day**2, warm]))
    fit = sm.WLS(charts.corrected.x[mine], design, weights=1.0 / charts.corrected.noise[mine]).fit()
    assert found[unit].coefficient == pytest.approx(fit.params[3], rel=0.02)
    assert found[unit].t == pytest.approx(fit.tvalues[3] * np.sqrt(fit.scale / max(fit.scale, 1.0)), rel=0.05)


def test_a_low_battery_is_found():
    """Six per cent lost between 35 % of charge and none: the companion is the battery."""
    charge = np.tile([95.0, 80.0, 60.0, 40.0, 25.0, 10.0], 8)
    answer = logged("battery_pct", charge, lambda b: 1.0 - 0.06 * max(35.0 - b, 0.0) / 35.0).assess(47 * 7.0 + 1)
    assert any("goes with battery" in text for text in advice(answer, "X").reasons)


def test_checks_a_low_battery_spoils_take_part_though_each_alone_looks_like_a_blunder():
    """A quarter lost at a nearly empty battery, once in ten checks: found, and no blunder of a full battery feigns it."""
    charge = np.where(np.arange(60) % 10 == 9, 12.0, 90.0)
    charge[::7] = 60.0
    answer = logged("battery_pct", charge, lambda b: 0.75 if b < 20.0 else 1.0).assess(59 * 7.0 + 1)
    assert advice(answer, "X").cause == "battery_or_temperature"
    blunders = logged("battery_pct", np.where(np.arange(60) % 10 == 4, 12.0, 90.0), lambda _b: 1.0)
    assert companions(*_parts(blunders)) == {}


def test_a_battery_that_was_changed_is_no_companion_any_more():
    """Low checks that went with the charge for a year, none for a year since: the newer half denies it."""
    charge = np.tile([95.0, 80.0, 60.0, 40.0, 25.0, 10.0], 18)
    day = iter(range(108))
    log = logged("battery_pct", charge, lambda b: 1.0 - (0.10 * max(35.0 - b, 0.0) / 35.0 if next(day) < 54 else 0.0))
    assert companions(*_parts(log)) == {}


def test_a_loss_beside_a_warm_room_is_still_a_loss():
    """A tenth a year lost in a room that takes one per cent a degree: both are said, and the cause is the loss."""
    warm = room(80)
    day = iter(range(80))
    log = logged("temperature_c", warm, lambda t: np.exp(-0.01 * (t - 24.0) - 0.12 * max(next(day) * 7.0 - 150.0, 0.0) / 365.0))
    answer = log.assess(79 * 7.0 + 1)
    (sentence,) = [text for text in advice(answer, "X").reasons if "goes with" in text]
    assert "does not explain the whole change" in sentence
    assert advice(answer, "X").cause == "efficiency_loss"
    assert rules(answer, "X") != set()


def test_what_is_logged_and_does_not_matter_is_not_said():
    """A warm room that does nothing, and one that does two tenths of a per cent, are no companions."""
    for slope in (0.0, 0.0004):
        log = logged("temperature_c", room(), lambda t, k=slope: np.exp(-k * (t - 22.0)))
        assert companions(*_parts(log)) == {}


def _parts(log):
    charts, counted = charts_of(log)
    return charts, counted.response_states


def test_a_loss_in_time_is_not_put_on_a_battery_that_aged_with_it():
    """A charge that falls evenly with time cannot be told from time: nothing is said, and nothing breaks."""
    charge = np.linspace(100.0, 40.0, 60)
    log = logged("battery_pct", charge, lambda _b: 1.0)
    assert companions(*_parts(log)) == {}
    falling = logged("battery_pct", charge, lambda b: np.exp(-0.15 * (100.0 - b) / 60.0))
    answer = falling.assess(59 * 7.0 + 1)
    assert rules(answer, "X") != set()
    assert response(answer, "X").current_pct < 93.0


def test_too_few_or_constant_logs_have_none():
    """Fourteen logged checks, or a room of always 21 °C: no companion."""
    assert companions(*_parts(logged("temperature_c", room(14), lambda t: np.exp(-0.02 * (t - 22.0))))) == {}
    assert companions(*_parts(logged("temperature_c", np.full(40, 21.0), lambda _t: 1.0))) == {}
