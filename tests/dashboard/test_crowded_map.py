"""The map of a very large fleet: every probe keeps its mark, only some keep names and whiskers, and names keep apart."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from analytics.settings import load
from dashboard.figures import fleet_map as drawing
from dashboard.figures import sheet
from dashboard.parts import links
from dashboard.seam import digest
from dashboard.views import fleet
from tests.dashboard import made_up


@pytest.fixture(scope="module")
def crowd():
    """Every story of the made-up fleet twenty times over, and the response that speaks for each."""
    _, answer = made_up.fleet()
    spoken = digest.headline(answer)
    copies = [(f"{p.probe}-{n}", p) for n in range(20) for p in answer.probes if p.probe in spoken]
    probes = [replace(p, probe=name) for name, p in copies]
    return probes, {name: replace(spoken[p.probe], probe=name) for name, p in copies}


def test_every_probe_of_a_crowd_keeps_its_mark(crowd):
    """As many marks as probes with a response: nothing is thinned away from the picture."""
    probes, spoken = crowd
    figure = drawing.fleet_map(probes, spoken, load().limits)
    marks = [mark[0] for trace in figure.data if trace.customdata is not None for mark in trace.customdata]
    known = [one.probe for one in probes if spoken[one.probe].current_pct is not None]
    assert len(known) > drawing.CROWD
    assert sorted(marks) == sorted(known)


def test_only_named_marks_of_a_crowd_carry_whiskers(crowd):
    """In a crowd at most as many names as can be read, and no whisker without a name; a small fleet has both."""
    probes, spoken = crowd
    for many, crowded in ((len(probes), True), (len(probes) // 20, False)):
        figure = drawing.fleet_map(probes[:many], spoken, load().limits)
        named, whiskers = set(), set()
        for trace in figure.data:
            if trace.customdata is None:
                continue
            ids = [mark[0] for mark in trace.customdata]
            named |= {one for one, text in zip(ids, trace.text, strict=True) if text}
            if trace.error_x.array is not None:
                whiskers |= {one for one, up in zip(ids, trace.error_x.array, strict=True) if up}
        assert whiskers
        assert named
        if crowded:
            assert len(named) <= drawing.NAMED
            assert whiskers <= named


def test_a_fit_probe_whose_drift_is_hardly_known_shows_how_little():
    """Seven checks of a sound probe may slope by anything: far down on the map it has its interval, and near none."""
    _, answer = made_up.fleet()
    spoken = digest.headline(answer)
    one = next(p for p in answer.probes if spoken[p.probe].current_pct is not None)
    for per_year, whisker in ((-8.0, True), (-1.0, False)):
        value = spoken[one.probe].current
        drift = replace(
            spoken[one.probe], drift_pct_per_year=per_year, drift_per_year=per_year / 100.0 * value,
            drift_interval=(value * (per_year - 12.0) / 100.0, value * (per_year + 12.0) / 100.0))
        figure = drawing.fleet_map([replace(one, advice="use")], {one.probe: drift}, load().limits)
        (mark,) = (trace for trace in figure.data if trace.customdata is not None)
        assert any(mark.error_y.array) is whisker


def test_no_name_lies_on_another():
    """Six marks at one place of the edge: names over, under and beside it as far as there is room, each in a place of its own."""
    _, answer = made_up.fleet()
    spoken = digest.headline(answer)
    one = next(p for p in answer.probes if p.probe == "GP-004")
    probes = [replace(one, probe=f"GP-9{n}") for n in range(6)]
    for now_pct in (92.0, 60.0):
        series = replace(spoken["GP-004"], current_pct=now_pct)
        figure = drawing.fleet_map(probes, {p.probe: replace(series, probe=p.probe) for p in probes}, load().limits)
        trace = next(one for one in figure.data if one.customdata is not None)
        places = [place for place, text in zip(trace.textposition, trace.text, strict=True) if text]
        assert 1 <= len(places) == len(set(places)) <= 3


def test_a_probe_that_stepped_is_not_drawn_as_one_that_drifts(crowd):
    """Its mark stands in the strip without a trend, its text says why; with a crossing forecast it goes on, and is in the map."""
    probes, spoken = crowd
    falling = next(one for one in probes if (spoken[one.probe].drift_pct_per_year or 0.0) < 0 and spoken[one.probe].crossing)
    stepped = replace(falling, cause="sudden_loss")
    series = spoken[falling.probe]
    for going_on in (True, False):
        shown = replace(series, crossing=series.crossing if going_on else None)
        figure = drawing.fleet_map([stepped], {stepped.probe: shown}, load().limits)
        (mark,) = [trace for trace in figure.data if trace.customdata is not None]
        assert (mark.y[0] < 0) is going_on
        assert ("stepped" in mark.hovertext[0]) is not going_on
        assert (mark.yaxis == "y2") is not going_on


def test_a_figure_that_is_not_looked_at_value_by_value_is_the_same_figure(monkeypatch, crowd):
    """Checked by plotly, as all tests have it, or not, as the dashboard has it: what goes to the browser is the same."""
    probes, spoken = crowd
    assert sheet.CHECKED
    checked = json.loads(drawing.fleet_map(probes, spoken, load().limits).to_json())
    monkeypatch.setattr(sheet, "CHECKED", False)
    assert json.loads(drawing.fleet_map(probes, spoken, load().limits).to_json()) == checked


def test_the_answer_of_a_nation_names_some_of_the_barred_and_says_where_all_are(monkeypatch):
    """Forty names and how many more of 250; of forty each is named."""
    monkeypatch.setattr(links, "inline", lambda _page, name, **_query: name)
    names = [f"P-{n:03d}" for n in range(250)]
    many, few = (fleet._said(2000, 1500, some, [], []) for some in (names, names[:40]))
    assert "P-039 and 210 more** (all of them stand in the table below" in many
    assert "P-040" not in many
    assert few.endswith("P-038, P-039**.")
