"""The Replay page under AppTest, and its figures."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from itertools import pairwise
from types import SimpleNamespace

import pytest
import streamlit as st

from analytics.fleet import assess
from analytics.records.snapshot import OUTCOMES, Records
from analytics.replays.coverage import Recalibration
from analytics.replays.reliability import reliability
from analytics.replays.results import PassedTolerance
from dashboard.figures.replay_causes import replay_causes
from dashboard.figures.replay_forecasts import MOST, replay_forecasts, shown
from dashboard.figures.replay_leads import replay_leads
from dashboard.parts import chart
from dashboard.seam import answers, read, replaying, worker
from tests.dashboard import made_up
from tests.dashboard.opened import open_page, use, words
from tests.replays.replay_fleets import SHIPPED, fleet, replayed


@pytest.fixture(scope="module")
def answer():
    """The answer on the replayed fleet."""
    made, records = fleet("weekly")
    return assess(records, SHIPPED, made.ends_at)


def opened(monkeypatch, answer, records=None, *, done=True, **parameters):
    """The page on the replayed fleet; ``done``: somebody has had it worked out before."""
    known = records if records is not None else fleet("weekly")[1]
    use(monkeypatch, known, answer)
    monkeypatch.setattr(answers, "AT_ONCE", len(known.readings))
    if done:
        monkeypatch.setattr(replaying, "kept", lambda: replayed("weekly"))
    return open_page("replay", **parameters)


def test_an_empty_store_says_what_to_do_first(monkeypatch):
    """With nothing recorded the page names the demo and the import, and offers no replay."""
    use(monkeypatch, *made_up.empty())
    at = open_page("replay")
    assert not at.exception
    assert "This store is empty" in words(at)
    assert not [one for one in at.button if "Replay" in one.label]


def test_it_waits_to_be_asked_and_says_what_it_costs(monkeypatch, answer):
    """The first visitor is told how much there is to do, and gets a button instead of a wait."""
    at = opened(monkeypatch, answer, done=False)
    assert "month ends of 18 probes" in words(at)
    assert [one.label for one in at.button if "Replay" in one.label] == ["Replay these records"]
    assert not at.header


def test_the_button_works_it_out_once_and_the_address_says_so(monkeypatch, answer):
    """Pressed, the replay is worked out and kept: the address asks for it, and a second visitor has it at once."""
    runs = []

    def counted(*arguments):
        runs.append(arguments)
        arguments[3]("As it was", 0.5)
        return replayed("weekly")

    monkeypatch.setattr(replaying, "replay", counted)
    at = opened(monkeypatch, answer, done=False)
    next(one for one in at.button if one.label == "Replay these records").click().run()
    assert not at.exception
    assert at.query_params["run"] == "yes"
    assert "Did the forecasts hold?" in words(at)
    again = open_page("replay")
    assert "Did the forecasts hold?" in words(again)
    assert len(runs) == 1


def test_a_link_with_run_works_it_out(monkeypatch, answer):
    """The address that a colleague sends opens on the replay itself, not on the button."""
    monkeypatch.setattr(replaying, "replay", lambda *_: replayed("weekly"))
    at = opened(monkeypatch, answer, done=False, run="yes")
    assert "Were the named causes right?" in words(at)


def test_a_new_revision_is_worked_out_anew(monkeypatch, answer):
    """What was worked out for one revision is not shown for the next."""
    monkeypatch.setattr(replaying, "replay", lambda *_: replayed("weekly"))
    opened(monkeypatch, answer, done=False, run="yes")
    assert replaying.kept() is not None
    newer = replace(read.records(), revision=answer.revision + 1)
    monkeypatch.setattr(read, "records", lambda: newer)
    assert replaying.kept() is None


def test_a_large_store_is_replayed_beside_the_page(monkeypatch, answer):
    """The page shows how far it is, also to the next visitor, and then the replay."""
    monkeypatch.setattr(answers, "AT_ONCE", 0)
    job = worker.Job("replay", (), "Replaying the months", 40.0)
    monkeypatch.setattr(worker.later, "ask", lambda *_, **__: job)
    monkeypatch.setattr(replaying, "_beside", worker.Kept(most=1))
    use(monkeypatch, fleet("weekly")[1], answer)
    for parameters in ({"run": "yes"}, {}):
        at = open_page("replay", **parameters)
        assert not at.exception
        assert at.get("progress")[0].proto.text.startswith("Replaying the months;")
    job.future.set_result(replayed("weekly"))
    assert "Did the forecasts hold?" in words(open_page("replay"))


def test_it_says_the_same_whatever_the_hour(monkeypatch, answer):
    """The replay is judged by the newest thing on record, so that it does not have to be made anew every hour."""
    made, records = fleet("weekly")
    newest = records.readings["taken_at"].max().to_pydatetime()
    assert replaying.until(records, datetime(2040, 1, 1)) == newest
    assert replaying.until(records, made.starts_at) == made.starts_at


def test_the_page_counts_what_the_replay_holds(monkeypatch, answer):
    """Held of judged, open ones, drifts alarmed before and unconfirmed alarms stand in the sentences."""
    said = words(opened(monkeypatch, answer))
    result = replayed("weekly")
    cover, lead, rate = result.coverage, result.lead_times, result.alarm_rate
    assert f"{cover.held} of {cover.decided} held, {cover.coverage_pct:.0f} %" in said
    assert f"{cover.open} still open" in said
    assert f"{lead.drifts_alarmed_before} of {lead.drifts} drifts" in said
    assert f"{rate.unconfirmed_alarms} alarm" in said
    assert "Nobody has confirmed" in said


@pytest.mark.parametrize("off", [True, False])
def test_a_coverage_that_is_off_is_said_with_its_factor(monkeypatch, answer, off):
    """Where it is off the page warns, names the factor, and says that it is not applied; where it is not, it does not warn."""
    said = Recalibration(off, 1.84 if off else None, at_least=False, scored=30, why="Off by a factor of 1.84.")
    use(monkeypatch, fleet("weekly")[1], answer)
    monkeypatch.setattr(replaying, "kept", lambda: replace(replayed("weekly"), recalibration=said))
    at = open_page("replay")
    assert "1.84" in words(at)
    assert [("1.84" in one.value, "not applied" in one.value) for one in at.warning] == ([(True, True)] if off else [])


def test_without_outcomes_it_says_what_to_record(monkeypatch, answer):
    """No findings: the page says so and names the table and the words to use."""
    made, records = fleet("weekly")
    bare = replace(replayed("weekly"), causes=(), reliability=reliability([], []))
    use(monkeypatch, replace(records, outcomes=Records.table(OUTCOMES)), answer)
    monkeypatch.setattr(replaying, "kept", lambda: bare)
    said = words(open_page("replay"))
    assert "No outcomes recorded" in said
    assert "`outcomes`" in said
    assert "`efficiency_loss`" in said
    assert made is not None


def test_a_link_restores_what_was_chosen(monkeypatch, answer):
    """Probe, kind of forecasts and early ends stand in the address, and the table shows only these."""
    probe = next(one.probe for one in replayed("weekly").forecasts if one.verdict == "held" and one.two_sided)
    rows = opened(monkeypatch, answer, of=probe, show="all", early="true").dataframe[0].value
    expected = [one for one in replayed("weekly").forecasts if one.probe == probe]
    assert set(rows["probe"]) == {probe}
    assert len(rows) == len(expected)
    missed = opened(monkeypatch, answer, show="missed").dataframe[0].value
    assert set(missed["verdict"].str[0]) == {"✖"}


def test_every_forecast_leads_to_its_probe_as_it_was_shown_then(monkeypatch, answer):
    """The link of a row carries the probe and the day it was said."""
    rows = opened(monkeypatch, answer).dataframe[0].value
    assert all(
        link == f"probe?probe={probe}&as_of={day}"
        for link, probe, day in zip(rows["then"], rows["probe"], rows["said_at"], strict=True))


def test_a_pressed_mark_leads_to_its_probe_as_it_was_shown_then(monkeypatch, answer):
    """Picking a forecast leaves for the page of its probe, at the day the forecast was said."""
    one = next(one for one in replayed("weekly").forecasts if one.verdict == "held" and one.two_sided)
    day = one.made_at.date().isoformat()
    drawn = chart.show

    def pressed(figure, **how):
        found = drawn(figure, **how)
        picked = SimpleNamespace(selection=SimpleNamespace(points=[{"customdata": [one.probe, day]}]))
        return picked if how["key"] == "forecasts" else found

    monkeypatch.setattr(chart, "show", pressed)
    at = opened(monkeypatch, answer)
    assert not at.exception
    assert (at.query_params["probe"], at.query_params["as_of"]) == (one.probe, day)
    assert at.title[0].value != "Replay"


def test_a_store_too_young_to_look_back_says_so(monkeypatch):
    """Records that do not reach over a month's end have nothing to replay."""
    records, assessment = made_up.fleet(("young",))
    first = records.readings["taken_at"].min()
    use(monkeypatch, records, assessment)
    monkeypatch.setattr(read, "moment", lambda: first.to_pydatetime().replace(hour=23))
    at = open_page("replay", run="yes")
    assert not at.exception
    assert "nothing to look back on" in words(at)
    st.cache_resource.clear()


def test_each_forecast_is_an_interval_with_the_day_on_it():
    """Every forecast drawn runs from its early to its late end; every series that passed has its day drawn once."""
    both = [one for one in replayed("weekly").forecasts if one.two_sided and one.verdict in ("held", "sooner", "later")]
    figure = replay_forecasts(both, replayed("weekly").until)
    ends = {
        (line.x[i], line.x[i + 1]) for line in figure.data if line.mode == "lines" and len(line.x) % 3 == 0
        for i in range(0, len(line.x), 3)}
    assert {(one.p05, one.p95) for one in both} <= ends
    days = [trace.x[0] for trace in figure.data if trace.mode == "lines" and len(trace.x) == 2]
    passed = {one.drift: one.passed_on for one in both if one.passed_on is not None}
    assert sorted(days) == sorted(passed.values())


def test_what_cannot_be_read_is_not_drawn():
    """Of more than can be read the newest are drawn, and series stay together."""
    one = next(one for one in replayed("weekly").forecasts if one.two_sided)
    many = [replace(one, drift=n % 7, made_at=datetime(2020 + n // 12, n % 12 + 1, 28)) for n in range(MOST + 40)]
    drawn = shown(many)
    assert len(drawn) == MOST
    assert min(d.made_at for d in drawn) > min(m.made_at for m in many)
    changes = sum(a.drift != b.drift for a, b in pairwise(drawn))
    assert changes == 6


def test_no_forecast_is_no_error():
    """An empty picture is a picture."""
    assert len(replay_forecasts([], datetime(2024, 1, 1)).data) == 0


def passed(name, lead, *, sudden=False):
    """A passing whose first alarm came ``lead`` days before."""
    day = date(2024, 6, 1)
    at = None if lead is None else datetime(2024, 3, 1)
    return PassedTolerance(
        name, "Co-57", "J-1", "low", day, (day, day), sudden, at, None if lead is None else "cusum", lead)


def test_leads_stand_left_of_the_day_the_limit_was_passed():
    """An alarm 90 days before stands at −90, one 5 days after at +5, and a passing without an alarm on the line."""
    figure = replay_leads([passed("A", 90.0), passed("B", -5.0, sudden=True), passed("C", None)])
    at = {tuple(trace.x): trace.name for trace in figure.data}
    assert at[-90.0,] == "first alarm on a drift"
    assert at[5.0,] == "first alarm on a step"
    assert at[0,] == "no alarm yet"


def test_reliability_is_drawn_with_its_counts():
    """Each bin stands at its mean probability and share, with how many were right of how many."""
    figure = replay_causes(reliability([0.62, 0.68, 0.91], [True, False, True]))
    marks = next(trace for trace in figure.data if trace.mode == "markers")
    assert list(marks.x) == pytest.approx([65.0, 91.0])
    assert list(marks.y) == pytest.approx([50.0, 100.0])
    counts = next(trace for trace in figure.data if trace.mode == "text")
    assert list(counts.text) == ["1/2", "1/1"]


def test_names_from_the_records_are_no_markup():
    """A probe called <b>x</b> is written as it is."""
    one = next(one for one in replayed("weekly").forecasts if one.two_sided)
    figure = replay_forecasts([replace(one, probe="<b>x</b>")], datetime(2024, 1, 1))
    assert all("<b>x" not in str(text) for text in figure.layout.yaxis.ticktext)
    assert "&lt;b&gt;x" in figure.layout.yaxis.ticktext[0]
