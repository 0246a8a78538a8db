"""The scoring runs count what they say: an answer that knows the truth reaches every target, a blind one does not."""

from dataclasses import replace
from datetime import timedelta

import pandas as pd
import pytest

from analytics.results import Alert, Crossing, DeviceResult, FleetAssessment, ProbeResult, SeriesResult
from tests.bench import score_alarms, score_forecasts
from tests.bench.score_common import Case

CASE = Case(seed=5, probes=80, years=3.0, cadence="weekly")


def answer_of(fleet, as_of, *, knows):
    """An assessment made from the truth: at once alarmed, rightly dated and called, or always calm."""
    series, probes = [], []
    for index, one in enumerate(fleet.truth.probes.itertuples()):
        own = fleet.truth.faults[fleet.truth.faults["probe"] == one.probe]
        alerts, crossing = [], None
        for fault in own.itertuples():
            tipped = fleet.truth.checks.query("probe == @one.probe and taken_at >= @fault.onset_at")["taken_at"].min()
            if pd.isna(tipped):
                continue
            alerts.append(Alert(f"E-{fault.fault}", "cusum", tipped.to_pydatetime(), None, None, "low", "it fell"))
            ahead = fault.crosses_10_at > pd.Timestamp(as_of) > fault.onset_at and not fault.until < pd.Timestamp(as_of)
            if fault.gradual and ahead:
                day, wide = fault.crosses_10_at.date(), timedelta(days=10)
                crossing = Crossing(90.0, day - wide, day, day + wide, {})
        nothing = (None,) * 8
        plain = SeriesResult(
            index, one.probe, "Co-57", None, None, "Co-57", "response", "cps/kBq", 100, *nothing, None, False, ()
        )
        series.append(replace(plain, alerts=tuple(alerts), crossing=crossing) if knows else plain)
        advice = "use" if one.cause == "none" else "service"
        cause = one.cause if knows else "none"
        probes.append(ProbeResult(one.probe, one.site, advice if knows else "use", "allowed", cause, 0.9, ()))
    sources = tuple(
        DeviceResult("source", one.source, one.site, "verify" if one.bad and knows else "use", (), ())
        for one in fleet.truth.sources.itertuples()
    )
    none = pd.DataFrame()
    return FleetAssessment(as_of, "", 1, "", tuple(series), tuple(probes), sources, (), (), none, none, none), 0.0


@pytest.fixture(params=[True, False], ids=["knows", "blind"])
def answers(request, monkeypatch):
    """Scoring with an answer that knows everything, then with one that never says anything."""
    for module in (score_alarms, score_forecasts):
        monkeypatch.setattr(module, "run_analysis", lambda fleet, as_of: answer_of(fleet, as_of, knows=request.param))
    return request.param


def test_alarm_score(answers):
    """Knowing the truth reaches all targets; silence has no false alarm, misses every fault, and is told each."""
    result = score_alarms.score(CASE)
    shares = {name: figure.value for name, figure in result.figures.items() if figure.value is not None}
    assert shares["false alarms a probe-year"] == 0.0
    assert result.figures["false alarms a probe-year"].total > 100
    words = ("faults alarmed", "signalled", "faults found", "bad sources")
    found = [name for name in shares if any(word in name for word in words)]
    assert len(found) >= 6
    assert all(shares[name] == (100.0 if answers else 0.0) for name in found), shares
    assert shares["cause right, faults older than 60 days"] == (100.0 if answers else 0.0)
    assert shares["cause `none` for sound probes"] == 100.0
    assert bool(result.remarks) != answers


def test_false_alarms_are_counted_in_the_time_that_is_sound(monkeypatch):
    """One alarm on each probe at its first check is as many false alarms as probes, over all time before a fault."""

    def shout(fleet, as_of):
        answer, _ = answer_of(fleet, as_of, knows=False)
        first = fleet.truth.checks.groupby("probe")["taken_at"].min()
        alarmed = tuple(
            replace(
                one, alerts=(Alert("E-1", "cusum", first[one.probe].to_pydatetime(), None, None, "low", "it fell"),)
            )
            for one in answer.series
        )
        return replace(answer, series=alarmed), 0.0

    monkeypatch.setattr(score_alarms, "run_analysis", shout)
    result = score_alarms.score(CASE)
    assert result.figures["false alarms a probe-year"].hits == CASE.probes
    assert sum(remark.startswith("false") for remark in result.remarks) == CASE.probes


def test_forecast_score(answers):
    """Knowing the truth is inside every interval and dates every fault; silence dates none and has no coverage."""
    figures = score_forecasts.score(CASE).figures
    made = figures["forecast made, faults 120 days old that cross within 3 years"]
    assert made.value == (100.0 if answers else 0.0)
    assert made.total > 5
    assert figures["sound probes with a date (p95)"].value == 0.0
    if answers:
        assert figures[score_forecasts.COVERAGE].value == 100.0
        assert 0 < figures["median width of the interval over the true time left"].value < 1
    else:
        assert figures[score_forecasts.COVERAGE].value is None
