"""Never in hindsight: what was answered at a moment is not changed by what came later, nor by order or by company."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from analytics import settings
from analytics.answer import as_json
from analytics.baseline.noise import PlacingSpread
from analytics.fleet import assess
from analytics.simulate import scoring_fleet, to_records
from tests.baseline.forward_tables import alerts_upto, chart_rows, rebuilt, same_digits
from tests.baseline.logbook import START, Log, weekly

SHIPPED = settings.load()
YEARS = {"weekly": 1.1, "monthly": 2.2}
CADENCES = pytest.mark.parametrize("cadence", ["weekly", "monthly"])
# Three quarters of the probes break down, so that every kind of alarm is there to be dated.
FAULTS = {"gain_drift": 0.15, "efficiency_loss": 0.15, "step": 0.15, "contamination_splash": 0.1, "intermittent": 0.1,
          "shield": 0.1}


@cache
def fleet(cadence):
    """Sixteen probes on two sites, many of them faulty, with a bad source, a wrong date and a knocked jig."""
    made = scoring_fleet(
        4, probes=16, years=YEARS[cadence], cadence=cadence, sites=2, mix=FAULTS, jig_knocked=True, wrong_date=True,
        repaired=0.7, blunder_rate=0.02, two_windows=0.3)
    return made, to_records(made)


@cache
def at_the_end(cadence):
    """The answer at the end of the data."""
    made, records = fleet(cadence)
    return assess(records, SHIPPED, made.ends_at)


def day_of(cadence, share):
    """A moment at this share of the data's span."""
    made, _ = fleet(cadence)
    return made.starts_at + share * (made.ends_at - made.starts_at)


@CADENCES
def test_the_fleet_has_alarms_to_be_dated(cadence):
    """The property below is not held by silence: alarms of many rules are there, and a device has one."""
    answer = at_the_end(cadence)
    made, _ = fleet(cadence)
    found = alerts_upto(answer, made.ends_at)
    assert len(found) >= 12
    assert len({rule for _, _, rule, *_ in found}) >= 4
    assert any(d.alerts for d in (*answer.sources, *answer.jigs, *answer.readouts))


@CADENCES
@examples(max_examples=4, deadline=None, derandomize=True, database=None)
@given(share=st.floats(0.15, 0.98))
def test_alerts_stay_as_they_were_given(cadence, share):
    """At any moment, the alerts of probes and devices are those that any later answer dates before it."""
    _, records = fleet(cadence)
    moment = day_of(cadence, share)
    assert alerts_upto(assess(records, SHIPPED, moment), moment) == alerts_upto(at_the_end(cadence), moment)


@CADENCES
def test_an_alert_is_there_from_the_counting_that_tipped_it_and_not_before(cadence):
    """A moment before ``signalled_at`` the alert is not given; at ``signalled_at`` it is."""
    _, records = fleet(cadence)
    signalled = sorted({when for _, _, _, when, *_ in alerts_upto(at_the_end(cadence), day_of(cadence, 1.0))})
    moment = signalled[len(signalled) // 2]
    just_before = moment - timedelta(microseconds=1)
    later = alerts_upto(at_the_end(cadence), moment)
    assert alerts_upto(assess(records, SHIPPED, moment), moment) == later
    earlier = {one for one in later if one[3] < moment}
    assert alerts_upto(assess(records, SHIPPED, just_before), moment) == earlier != later


@cache
def charts_at(cadence, share):
    """The numbers of all charts at a moment."""
    _, records = fleet(cadence)
    return chart_rows(records, SHIPPED, day_of(cadence, share))


@CADENCES
@pytest.mark.parametrize("share", [0.31, 0.77])
def test_response_charts_keep_their_digits(cadence, share):
    """Shared movement, noise, reference and every statistic of a check are, to the last digit, what they were."""
    assert same_digits(charts_at(cadence, share)[0], charts_at(cadence, 1.0)[0]) == []


@CADENCES
@pytest.mark.parametrize("quantity", ["window_width", "window_shift"])
def test_window_charts_keep_their_digits(cadence, quantity):
    """Window charts say of a reading, to the last digit, what they said when it came."""
    wrong = [
        one for share in (0.31, 0.77)
        for one in same_digits(charts_at(cadence, share)[1][quantity], charts_at(cadence, 1.0)[1][quantity])
    ]
    assert wrong == []


@pytest.mark.parametrize("quantity", ["background", "side"])
def test_background_and_side_charts_keep_their_digits(quantity):
    """A background or side reading is judged without regard to what other probes read later."""
    log = Log(5).source()
    for name, first, background_cps, side in (("P-1", 0.0, 3.0, 100.0), ("P-2", 140.0, 30.0, 500.0)):
        days = weekly(12, first=first)
        log.probe(name).checks(name, days, background_cps=background_cps)
        for day in days:
            log.count(name, day + 4e-3, "side", float(log.rng.poisson(10 * background_cps + side)))
    then, later = (chart_rows(log.records(), SHIPPED, START + timedelta(days=d))[1][quantity] for d in (100.0, 300.0))
    assert len(then) >= 10
    assert same_digits(then, later) == []


@CADENCES
def test_later_records_change_nothing(cadence):
    """The answer at a moment is, to the last digit, that of a store which holds nothing later."""
    _, records = fleet(cadence)
    moment = day_of(cadence, 0.6)
    early = rebuilt(
        records, records.readings[records.readings["taken_at"] <= moment],
        events=records.events[records.events["happened_at"] <= moment].reset_index(drop=True))
    assert as_json(assess(early, SHIPPED, moment)) == as_json(assess(records, SHIPPED, moment))


def test_same_records_same_digits():
    """Two runs over the same records give the same document."""
    made, records = fleet("weekly")
    assert as_json(assess(records, SHIPPED, made.ends_at)) == as_json(at_the_end("weekly"))


def test_order_of_rows_does_not_matter():
    """Readings stored in another order, and every table shuffled, give the same document."""
    made, records = fleet("monthly")
    rng = np.random.default_rng(1)

    def shuffled(table):
        return table.iloc[rng.permutation(len(table))].reset_index(drop=True)

    readings = shuffled(records.readings).assign(reading_id=np.arange(1, len(records.readings) + 1))
    readings = readings.sort_values(["taken_at", "reading_id"]).reset_index(drop=True)
    names = ("probes", "sources", "windows", "events", "inspections", "uses", "outcomes")
    other = replace(records, readings=readings, **{name: shuffled(getattr(records, name)) for name in names})
    assert as_json(assess(other, SHIPPED, made.ends_at)) == as_json(at_the_end("monthly"))


def one_site(records):
    """The records of the first site alone, and its probes."""
    probes = records.probes[records.probes["site"] == records.probes["site"].min()].reset_index(drop=True)
    names = set(probes["probe"])
    readings = records.readings[records.readings["probe"].isin(names)]
    events = records.events[records.events["probe"].isin(names)].reset_index(drop=True)
    return rebuilt(records, readings, probes=probes, events=events), names


def test_probes_elsewhere_do_not_change_a_digit_of_the_response(monkeypatch):
    """Given the fleet's placing spread, a probe's charts are the same whether or not other sites are in the store."""
    monkeypatch.setattr(
        PlacingSpread, "estimate", lambda self, prior, _weight, _fleet=None: (np.full(len(self.weights), prior), prior))
    made, records = fleet("weekly")
    alone, names = one_site(records)
    whole = chart_rows(records, SHIPPED, made.ends_at)[0]
    part = chart_rows(alone, SHIPPED, made.ends_at)[0]
    assert 0 < len(part) < len(whole)
    assert set(part["probe"]) == names & set(whole["probe"])
    assert same_digits(part, whole) == []


def test_probes_elsewhere_change_no_alarm_and_no_advice():
    """With other sites left out, which alarms a probe has, its advice and its cause stay the same."""
    made, records = fleet("weekly")
    alone, names = one_site(records)
    whole, part = at_the_end("weekly"), assess(alone, SHIPPED, made.ends_at)
    assert [(p.probe, p.advice, p.cause) for p in part.probes] == [
        (p.probe, p.advice, p.cause) for p in whole.probes if p.probe in names]
    rules = [{(s.probe, s.window, s.quantity, a.rule) for s in one.series if s.probe in names for a in s.alerts}
             for one in (whole, part)]
    assert rules[0] == rules[1]
    levels = {(s.probe, s.window): s.current for s in whole.series if s.quantity == "response"}
    for s in part.series:
        if s.quantity == "response":
            assert s.current == pytest.approx(levels[s.probe, s.window], rel=2e-3)


def test_a_source_once_named_stays_named_when_its_probes_are_repaired_on_it():
    """A source 10 % off its certificate keeps its alert after the probes read on it begin new references there."""
    log = Log(3).source("CK-1").source("CK-2", reference_at=START + timedelta(days=100))
    for n in range(1, 5):
        name = f"P-{n}"
        log.probe(name).checks(name, weekly(15, offset=0.02 * n))
        log.checks(name, weekly(30, first=105.0, offset=0.02 * n), rate_cps=1650.0, source="CK-2", reference_day=100.0)
        log.event(name, 262.0, "repair", new_reference=True)
    for n in (5, 6):
        name = f"P-{n}"
        log.probe(name)
        log.checks(name, weekly(6, first=280.0, offset=0.02 * n), rate_cps=1650.0, source="CK-2", reference_day=100.0)
    then = START + timedelta(days=250)
    early = alerts_upto(log.assess(250.0), then)
    assert {owner for owner, *_ in early} >= {("source", "CK-2")}
    assert alerts_upto(log.assess(310.0), then) == early
