"""The figures as data: what is drawn, where, and what is not."""

from __future__ import annotations

import dataclasses
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics.results import Crossing
from analytics.settings import load
from dashboard.figures import ground, readings, sheet
from dashboard.figures.common_movement import common_movement, standing
from dashboard.figures.evidence import evidence
from dashboard.figures.fleet_map import fleet_map
from dashboard.figures.forecast import LEAST, horizon
from dashboard.figures.in_use import spells
from dashboard.figures.site_bars import site_bars
from dashboard.figures.story import Chapter, story
from dashboard.parts.words import PROBE
from dashboard.report.charts import fleet_chart
from dashboard.seam import digest
from tests.dashboard import made_up


@pytest.fixture(scope="module")
def made():
    """Records and answer of the fixture fleet."""
    return made_up.fleet()


def _told(made, probe, **span):
    records, assessment = made
    main, *others = (Chapter(s, assessment.points_of(s)) for s in assessment.series_of(probe))
    events = records.events[records.events["probe"] == probe]
    return story(main, others, events, assessment.as_of, **span), main


def _named(figure, name):
    return next(one for one in figure.data if one.name == name)


def test_no_line_is_drawn_over_months_without_a_check(made):
    """GP-002 was not read for three months: the lines stop there and begin anew."""
    figure, _ = _told(made, "GP-002")
    line = _named(figure, "reference")
    hole = line.x.index(None)
    before, after = datetime.fromisoformat(line.x[hole - 1]), datetime.fromisoformat(line.x[hole + 1])
    assert after - before > timedelta(days=80)


def test_a_piece_ends_where_a_new_reference_begins():
    """A jump of the expected level by more than 2 % ends a line even without a gap in time."""
    at = pd.Series(pd.date_range("2024-01-01", periods=6, freq="7D"))
    level = pd.Series([2.0, 2.0, 2.0, 2.2, 2.2, 2.2])
    assert ground.pieces(at, level).tolist() == [0, 0, 0, 1, 1, 1]


def test_every_row_of_the_story_shares_the_time_axis(made):
    """All traces of the story lie on one x axis, so that zooming one row zooms them all."""
    figure, _ = _told(made, "GP-004")
    assert {one.xaxis for one in figure.data} == {"x"}
    assert len({one.yaxis for one in figure.data}) >= 5


def test_a_reading_carries_its_time_so_that_pressing_it_finds_its_check(made):
    """``customdata[0]`` of each charted mark is its ``check_at``."""
    figure, main = _told(made, "GP-003")
    charted = _named(figure, "charted")
    expected = main.points.loc[main.points["flag"] == "used", "check_at"].dt.strftime("%Y-%m-%dT%H:%M:%S")
    assert [one[0] for one in charted.customdata] == expected.tolist()


def test_error_bars_are_the_interval_of_the_value(made):
    """The bar reaches from ``value_low`` to ``value_high``, moved with the value when shared movement is taken off."""
    figure, main = _told(made, "GP-003")
    charted = _named(figure, "charted")
    rows = main.points[main.points["flag"] == "used"]
    np.testing.assert_allclose(charted.error_y["array"], rows["value_high"] - rows["value"])
    np.testing.assert_allclose(charted.error_y["arrayminus"], rows["value"] - rows["value_low"])


def test_what_was_set_aside_is_hollow(made):
    """A lone outlier and an excluded check are drawn with open symbols and never as charted."""
    figure, _ = _told(made, "GP-001")
    for word in ("lone outlier, not charted", "excluded by a person"):
        symbols = np.atleast_1d(_named(figure, word).marker.symbol)
        assert all(str(one).endswith("-open") for one in symbols)


def test_a_far_outlier_stands_at_the_edge_and_does_not_stretch_the_row(made):
    """A blunder at a tenth of the response is a triangle at the foot; the row still shows the charted readings."""
    records, assessment = made
    series = assessment.series_of("GP-001", "response")[0]
    points = assessment.points_of(series).copy()
    far = points.index[points["flag"] == "lone_outlier"][0]
    points.loc[far, ["value", "value_low", "value_high", "corrected"]] = 0.2
    figure = story(Chapter(series, points), [], records.events.iloc[:0], assessment.as_of)
    mark = _named(figure, "lone outlier, not charted")
    assert mark.marker.symbol[0] == "triangle-down-open"
    assert figure.layout.yaxis.range[0] > 1.0
    assert mark.y[0] >= figure.layout.yaxis.range[0]


def test_no_signal_is_drawn_without_a_value(made):
    """A check without net counts stands at the foot of the row, with no error bar."""
    figure, _ = _told(made, "GP-005")
    mark = _named(figure, "no signal")
    assert len(mark.x) == 2
    assert np.isfinite(np.asarray(mark.y, dtype=float)).all()
    assert mark.error_y.array is None


def test_alerts_on_one_check_share_a_ring_with_all_their_numbers(made):
    """Three alerts that one check tipped are one ring marked ①②③."""
    records, assessment = made
    series = assessment.series_of("GP-003", "response")[0]
    first = series.alerts[0]
    three = dataclasses.replace(series, alerts=(first, first, first))
    figure = story(Chapter(three, assessment.points_of(series)), [], records.events.iloc[:0], assessment.as_of)
    rings = [one for one in figure.data if one.text is not None and "①" in str(one.text)]
    assert [one.text[0] for one in rings] == ["①②③"]


def test_a_ring_lies_on_the_check_that_signalled(made):
    """The ring's place is the time and the charted value of the tipping check."""
    figure, main = _told(made, "GP-009")
    ring = next(one for one in figure.data if one.text is not None and "①" in str(one.text))
    alert = main.series.alerts[0]
    row = main.points[main.points["check_at"] == alert.signalled_at].iloc[0]
    assert ring.x[0] == alert.signalled_at.isoformat()
    assert ring.y[0] == pytest.approx(row["corrected"])


def test_events_stand_on_the_axis_and_a_new_reference_is_thicker(made):
    """A repair is a line through all rows, with its word; one that begins a new reference is drawn solid."""
    figure, _ = _told(made, "GP-009")
    lines = [s for s in figure.layout.shapes if s.type == "line" and s.yref == "paper" and s.line.dash == "solid"]
    assert len(lines) == 1
    assert "repair" in [note.text for note in figure.layout.annotations]


def test_a_forecast_is_a_range_with_its_middle(made):
    """Where a crossing is forecast, the range runs from p05 to p95 on the limit, with a mark at p50."""
    figure, main = _told(made, "GP-003")
    crossing = main.series.crossing
    reach = _named(figure, "when it passes 90 %: 90 % range")
    assert reach.x[0] == crossing.p05.isoformat()
    assert reach.y[0] == pytest.approx(0.9 * main.series.reference.value)
    assert any(one.x is not None and list(one.x) == [crossing.p50.isoformat()] for one in figure.data)


def test_nothing_is_forecast_where_no_limit_is_approached(made):
    """A sound probe's story ends at the present moment."""
    figure, main = _told(made, "GP-001")
    assert horizon(main.series, made[1].as_of) == made[1].as_of
    assert not any("passes" in (one.name or "") for one in figure.data)


def test_an_open_end_of_the_forecast_is_an_arrow(made):
    """A p95 beyond the horizon ends the range in an arrow at the figure's edge, no date being claimed."""
    _, assessment = made
    series = assessment.series_of("GP-003", "response")[0]
    late = Crossing(90.0, date(2025, 9, 1), date(2026, 2, 1), None, {})
    open_ended = dataclasses.replace(series, crossing=late)
    assert horizon(open_ended, assessment.as_of) <= assessment.as_of + max(LEAST, timedelta(days=500))
    figure = story(
        Chapter(open_ended, assessment.points_of(series)),
        [],
        pd.DataFrame({"happened_at": pd.to_datetime([])}),
        assessment.as_of,
    )
    assert _named(figure, "when it passes 90 %: 90 % range").marker.symbol[1] == "triangle-right"


def test_the_chosen_time_is_what_is_shown(made):
    """``start`` and ``end`` bound the axis and the readings drawn."""
    start, end = datetime(2024, 9, 1), datetime(2024, 12, 1)
    figure, _ = _told(made, "GP-003", start=start, end=end)
    assert figure.layout.xaxis.range == (start.isoformat(), end.isoformat())
    charted = _named(figure, "charted")
    assert all(start <= datetime.fromisoformat(one) <= end for one in charted.x)


def test_a_long_line_keeps_its_holes_and_its_marks_their_names():
    """What is handed to plotly as an array, being long, is what a short list would be: numbers, holes, texts, rows of data."""
    many = sheet.LONG + 1
    heights, names = [1.0, None, *[2.0] * (many - 2)], [[f"GP-{n}", n] for n in range(many)]
    drawn = sheet.Sheet([100])
    drawn.line(list(range(many)), heights, {})
    drawn.trace(x=[0.5] * many, y=[1.5] * many, text=[one for one, _ in names], customdata=names)
    line, marks = drawn.figure().data
    assert list(line.y) == heights
    assert list(line.x) == list(range(many))
    assert (list(marks.x), list(marks.text)) == ([0.5] * many, [one for one, _ in names])
    assert [list(one) for one in marks.customdata] == names


def test_many_points_go_to_the_canvas():
    """Above 2,000 points a trace is drawn on the canvas, at or under it as SVG."""
    assert ground.renderer(2000) == "scatter"
    assert ground.renderer(2001) == "scattergl"


def test_each_probe_with_a_response_is_one_mark_on_the_map(made):
    """A probe stands where its response and drift are; one without a present response is not drawn."""
    _, assessment = made
    spoken = digest.headline(assessment)
    figure = fleet_map(assessment.probes, spoken, load().limits)
    marks = {
        one[0]: (x, y)
        for t in figure.data
        if t.customdata is not None
        for one, x, y in zip(t.customdata, t.x, t.y, strict=True)
    }
    known = {p for p, s in spoken.items() if s.current_pct is not None}
    assert set(marks) == known
    x, y = marks["GP-002"]
    assert x == pytest.approx(spoken["GP-002"].current_pct)
    assert y == pytest.approx(spoken["GP-002"].drift_pct_per_year)


def test_status_on_the_map_is_a_shape_of_its_own(made):
    """No two answers share a symbol, so that no one needs the colour."""
    _, assessment = made
    assert len({s.symbol for s in PROBE.values()}) == len(PROBE)
    assert len({s.mark for s in PROBE.values()}) == len(PROBE)
    figure = fleet_map(assessment.probes, digest.headline(assessment), load().limits)
    for status in PROBE.values():
        for trace in (t for t in figure.data if t.name == status.word):
            assert trace.marker.symbol == status.symbol


def test_a_mark_beyond_the_map_says_where_it_is(made):
    """A probe at 39 % stands at the edge with its value written beside it."""
    _, assessment = made
    spoken = digest.headline(assessment)
    spoken["GP-009"] = dataclasses.replace(spoken["GP-009"], current_pct=39.0)
    figure = fleet_map(assessment.probes, spoken, load().limits)
    texts = [text for one in figure.data if one.name == "retire" for text in one.text]
    assert any("39 %" in text for text in texts)


def test_a_probe_without_a_trend_stands_in_a_strip_of_its_own(made):
    """A response without a slope is drawn under the map, not at a drift of nought."""
    _, assessment = made
    spoken = digest.headline(assessment)
    spoken["GP-002"] = dataclasses.replace(
        spoken["GP-002"], drift_pct_per_year=None, drift_per_year=None, drift_interval=None
    )
    figure = fleet_map(assessment.probes, spoken, load().limits)
    row = [t.yaxis for t in figure.data if t.customdata is not None and ["GP-002"] in [list(c) for c in t.customdata]]
    assert row == ["y2"]


def test_a_name_keeps_off_the_marks_of_others(made):
    """Where a mark lies in the place of a name, the name goes to another."""
    _, assessment = made
    spoken = digest.headline(assessment)
    one = next(p for p in assessment.probes if p.probe == "GP-002")
    series = dataclasses.replace(spoken["GP-002"], current_pct=100.0, drift_pct_per_year=-4.0)
    over = dataclasses.replace(series, current_pct=100.4, drift_pct_per_year=-3.2)
    places = []
    for probes in ([one], [one, dataclasses.replace(one, probe="GP-900", advice="use")]):
        figure = fleet_map(probes, {"GP-002": series, "GP-900": over}, load().limits)
        places += [t.textposition[0] for t in figure.data if t.customdata is not None and t.customdata[0][0] == "GP-002"]
    assert places[0] == "top center"
    assert places[1] != places[0]


def test_on_the_dotted_line_the_limit_is_a_year_away(made):
    """The slanted line joins (90 %, 0) with every point from which the present drift takes a year to reach 90 %."""
    _, assessment = made
    figure = fleet_map(assessment.probes, digest.headline(assessment), load().limits)
    line = next(t for t in figure.data if t.text is not None and "1 year away" in str(t.text) and t.x[0] == 90.0)
    now, drift = line.x[1], line.y[1]
    assert now + drift * 1.0 == pytest.approx(90.0)


def test_the_printed_fleet_keeps_whom_it_cannot_give_a_trend(made):
    """A probe that stepped, and one without a slope, have their marks in the strip of the printed picture too."""
    _, assessment = made
    spoken = digest.headline(assessment)
    plain = fleet_chart(assessment.probes, spoken, load().limits)
    spoken["GP-001"] = dataclasses.replace(spoken["GP-001"], drift_pct_per_year=None)
    probes = [dataclasses.replace(p, cause="sudden_loss") if p.probe == "GP-003" else p for p in assessment.probes]
    spoken["GP-003"] = dataclasses.replace(spoken["GP-003"], crossing=None)
    loose = fleet_chart(probes, spoken, load().limits)
    assert "no trend told" in loose
    assert loose.count("GP-003") == plain.count("GP-003") == 1
    every = tuple(dataclasses.replace(s, crossing=None) if s.probe == "GP-003" else s for s in assessment.series)
    table = digest.fleet_table(dataclasses.replace(assessment, probes=tuple(probes), series=every), made[0]).set_index("probe")
    assert table["drift_pct_per_year"].isna()["GP-003"]


def test_site_bars_count_every_probe_once(made):
    """The parts of all bars add up to the fleet."""
    _, assessment = made
    assert sum(sum(one.x) for one in site_bars(assessment.probes).data) == len(assessment.probes)


def test_common_movement_stops_where_nothing_was_read():
    """A source that lay unused for half a year has two lines, not one."""
    at = pd.to_datetime(["2024-01-01", "2024-01-08", "2024-01-15", "2024-08-01", "2024-08-08"])
    shared = pd.DataFrame({"at": at, "offset_pct": 0.1, "offset_low_pct": -0.4, "offset_high_pct": 0.6, "probes": 5})
    line = next(one for one in common_movement(shared, "CK-1").data if one.mode == "lines" and one.fill is None)
    assert None in line.x[:-1]


def test_devices_without_a_known_offset_are_left_out_of_the_standing(made):
    """A control unit of which nothing is known is no mark at nought."""
    _, assessment = made
    figure = standing((*assessment.sources, *assessment.readouts))
    names = {one[0] for trace in figure.data for one in trace.customdata}
    assert names == {"CK-A1", "CK-B1", "CK-C1"}


def test_evidence_shows_the_time_before_the_onset(made):
    """The small figure begins at least two months before the estimated onset."""
    _, assessment = made
    series = assessment.series_of("GP-003", "response")[0]
    figure = evidence(series, assessment.points_of(series), series.alerts, assessment.as_of)
    times = [datetime.fromisoformat(x) for one in figure.data if one.mode == "markers" for x in one.x]
    assert min(times) <= series.alerts[0].onset_estimate - timedelta(days=53)


def test_spells_name_what_was_in_use_and_when():
    """A swap of the source ends one band and begins the next; a check without one on record is no band."""
    points = pd.DataFrame(
        {"check_at": pd.date_range("2024-01-01", periods=5, freq="7D"), "source": ["A", "A", None, "B", "B"]}
    )
    found = [(name, first.day, last.day) for name, first, last in spells(points, "source")]
    assert found == [("A", 1, 8), ("B", 22, 29)]


@pytest.mark.parametrize("story_of", made_up.STORIES)
def test_each_story_can_be_drawn(made, story_of):
    """No fault, and no lack of data, keeps the story from being drawn."""
    name = f"GP-{made_up.STORIES.index(story_of) + 1:03d}"
    figure, _ = _told(made, name)
    assert len(figure.data) > 3


def test_a_series_without_points_is_an_empty_frame(made):
    """A series none of whose checks lies in the time shown gives axes and no reading."""
    figure, _ = _told(made, "GP-001", start=datetime(2020, 1, 1), end=datetime(2020, 2, 1))
    assert not [one for one in figure.data if one.mode == "markers" and one.x is not None and len(one.x)]


def test_number_marks_go_on_after_ten():
    """The eleventh alert has a mark that every font can draw: many have no ring above ten, and showed a box."""
    assert readings.number_mark(10) == "⑩"
    assert readings.number_mark(11) == "(11)"
