"""What was seen on the pages as pictures and mended: figures and words that said less, or other, than they should."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime, timedelta

import pandas as pd
import pytest

from analytics.advice.plan_result import Plan, Visit
from analytics.settings import load
from dashboard.figures.evidence import evidence
from dashboard.figures.fleet_map import fleet_map
from dashboard.figures.plan_calendar import plan_calendar
from dashboard.figures.site_bars import site_bars
from dashboard.figures.story import Chapter, story
from dashboard.report.charts import fleet_chart
from dashboard.seam import digest, probe_facts
from tests.dashboard import made_up
from tests.dashboard.opened import open_page, use, words

LONG = "Centre for Minimally Invasive Surgery, House of the West, Fourth Floor"


@pytest.fixture(scope="module")
def made():
    """Every story once, and eight sound probes."""
    return made_up.fleet()


def test_evidence_of_a_single_check_is_drawn_over_days(made):
    """One window check alone has an axis of days around it; it had one of thousandths of a second."""
    _, assessment = made
    series = assessment.series_of("GP-003", "response")[0]
    one = assessment.points_of(series).iloc[-1:]
    at = one["check_at"].iloc[0]
    alert = replace(series.alerts[0], signalled_at=at.to_pydatetime(), onset_estimate=None, settled_at=None)
    first, last = (datetime.fromisoformat(end) for end in evidence(series, one, [alert], assessment.as_of).layout.xaxis.range)
    assert first < at < last
    assert last - first >= timedelta(days=7)


@pytest.mark.parametrize("moved", [0.9, 2.1, 4.1, 8.4, 21.0])
def test_an_axis_of_the_shared_movement_has_more_than_the_nought(made, moved):
    """However far the shared movement reaches, a step of 1, 2, 5 or 10 that plotly may choose marks at least two levels.

    Plotly rounds range / nticks up to the next of 1, 2, 5, 10 times a power of ten (its ``autoTicks``), read from its source.
    """
    records, assessment = made
    series = assessment.series_of("GP-001", "response")[0]
    points = assessment.points_of(series).assign(shared_pct=moved)
    figure = story(Chapter(series, points), [], records.events.iloc[:0], assessment.as_of)
    axis = figure.layout.yaxis2
    reach = axis.range[1]
    rough = 2 * reach / axis.nticks
    step = min(s * 10.0**e for e in range(-3, 3) for s in (1, 2, 5) if s * 10.0**e >= rough)
    assert reach / step >= 1


def test_a_long_name_of_a_site_leaves_room_for_its_figure(made):
    """A site's name of seventy letters stands on two short lines beside bars and calendar, and whole in the bars' data."""
    _, assessment = made
    probes = [replace(one, site=LONG) for one in assessment.probes]
    bars = site_bars(probes)
    said = bars.layout.yaxis.ticktext[0]
    assert said.startswith("Centre for Minimally")
    assert max(len(line) for line in said.split("<br>")) <= 26
    assert bars.data[0].customdata[0][0] == LONG
    day = date(2026, 1, 5)
    visit = Visit(site=LONG, on=day, probes=(), sources=("CK-1",))
    plan = Plan(day, date(2026, 3, 1), (visit,), sources=(), uncovered=(), risk_days=None, cost=None)
    lane = plan_calendar(plan, {}, day).layout.yaxis.ticktext[0]
    assert max(len(line) for line in re.sub("</?b>", "", lane).split("<br>")) <= 26


def test_the_words_of_the_time_left_stand_where_fewer_marks_lie(made):
    """With falling probes beyond the action level they stand at the upper limit, with rising ones at the lower one."""
    _, assessment = made
    headline = digest.headline(assessment)
    limits = load().limits
    name = assessment.probes[0].probe

    def words_at(pct, drift):
        moved = replace(headline[name], current_pct=pct, drift_pct_per_year=drift)
        figure = fleet_map([assessment.probe(name)], {name: moved}, limits)
        return next(one for one in figure.layout.annotations if one.text == "1 year away").y

    assert words_at(92.0, -4.0) > 0
    assert words_at(108.0, 4.0) < 0


def test_names_lie_over_marks_and_not_on_the_words_of_the_strip_in_print(made):
    """In the printed picture every name is written after every mark, and "no trend told" stands at the right edge."""
    _, assessment = made
    headline = digest.headline(assessment)
    name = next(p.probe for p in assessment.probes if p.advice == "service")
    told = {**headline, name: replace(headline[name], current_pct=86.0, drift_pct_per_year=None)}
    svg = fleet_chart(assessment.probes, told, load().limits)
    strip = re.search(r'text-anchor="(\w+)"[^>]*>no trend told', svg)
    assert strip
    assert strip[1] == "end"
    body = svg[: svg.index(">retire<")]  # what comes after is the key
    first_name = min(body.index(f">{p.probe}") for p in assessment.probes if f">{p.probe}" in body)
    last_mark = max(body.rfind(f'fill="{colour}"') for colour in ("#2b8a6e", "#c8502d"))
    assert last_mark < first_name


def test_one_check_tells_no_trend(made):
    """Of a probe read once or twice neither the table of the fleet nor its page names a drift; from the third check on both do."""
    records, assessment = made
    name = assessment.probes[0].probe
    series = digest.headline(assessment)[name]

    def shown(readings):
        fewer = replace(series, readings=readings)
        answer = replace(assessment, series=tuple(fewer if one is series else one for one in assessment.series))
        table = digest.fleet_table(answer, records).set_index("probe")
        said = dict(probe_facts.facts(assessment.probe(name), fewer, assessment.as_of))["Drift"]
        return pd.isna(table.loc[name, "drift_pct_per_year"]), said

    assert shown(2)[0]
    assert shown(1)[1] == "– (no trend can be told from 1 check)"
    assert not shown(3)[0]
    assert "a year" in shown(3)[1]


def test_a_drift_is_said_with_its_interval_in_per_cent_to_one_decimal(made):
    """Drift and its 90 % interval stand in per cent of the reference a year, and the drift in the series' own unit behind them."""
    _, assessment = made
    name = assessment.probes[0].probe
    series = replace(digest.headline(assessment)[name], drift_per_year=-0.0123, drift_interval=(-0.2, 0.1), drift_pct_per_year=-0.4)
    said = dict(probe_facts.facts(assessment.probe(name), series, assessment.as_of))["Drift"]
    reference = series.reference.value
    low, high = (f"{100 * end / reference:+.1f}".replace("-", "−") for end in (-0.2, 0.1))
    assert said == f"−0.4 % of the reference a year; 90 %: {low} to {high} % (−0.012 {series.unit} a year)"


def test_what_was_in_use_for_one_check_has_a_band(made):
    """A source read once is drawn a day wide and not as nothing, and the newest mark of a story is not cut at the edge."""
    records, assessment = made
    series = assessment.series_of("GP-001", "response")[0]
    points = assessment.points_of(series).iloc[-1:]
    figure = story(Chapter(series, points), [], records.events.iloc[:0], assessment.as_of)
    bands = [one for one in figure.data if one.hoveron == "fills"]
    assert bands
    for one in bands:
        ends = [datetime.fromisoformat(str(x)) for x in one.x]
        assert max(ends) - min(ends) >= timedelta(days=1)
    assert datetime.fromisoformat(figure.layout.xaxis.range[1]) > assessment.as_of


def test_an_alert_is_told_as_of_its_day(monkeypatch, made):
    """The sentence of an alert follows the day it was signalled on, since what stands under it speaks of today."""
    use(monkeypatch, *made)
    said = words(open_page("alerts"))
    assert re.search(r"First signalled on \d+ \w+ \d{4} \([^)]+\): [a-z]", said.replace("\\", ""))
    assert "Noticed by *" in said


def test_no_event_of_a_later_day_is_counted_on_an_earlier_one(monkeypatch, made):
    """What happened after the day that is looked at is neither counted nor listed among the events of a probe."""
    records, assessment = made
    event = records.events.iloc[0]
    later = pd.DataFrame([{**event, "happened_at": pd.Timestamp(assessment.as_of) + pd.Timedelta(days=3)}])
    events = pd.concat([records.events, later], ignore_index=True).astype(records.events.dtypes)
    before = int((records.events["probe"] == event["probe"]).sum())
    use(monkeypatch, replace(records, events=events), assessment)
    at = open_page("probe", probe=str(event["probe"]))
    assert not at.exception
    assert f"Events and service: {before}" in [one.label for one in at.expander]


def test_missing_costs_are_said_without_marks_of_code(monkeypatch, made):
    """What is missing for keep or replace names its settings in plain text: back quotes stood on the page."""
    records, assessment = made
    one = replace(assessment.probes[0], costs=(("not known", "Missing: the cost of a service (`costs.service`)."),))
    use(monkeypatch, records, replace(assessment, probes=(one, *assessment.probes[1:])))
    at = open_page("probe", probe=one.probe)
    shown = "\n".join(str(block.proto.body) for block in at.get("html"))
    assert "(costs.service)" in shown
    assert "`" not in shown


def test_an_empty_store_offers_no_way_that_leads_back_to_it(monkeypatch):
    """With no probe registered, a check cannot be recorded: the link to the form would show the same page again."""
    use(monkeypatch, *made_up.empty())
    at = open_page("fleet")
    ways = [one.proto.label for one in at.get("page_link")]
    assert "Import a log" in ways
    assert "Record a check" not in ways
