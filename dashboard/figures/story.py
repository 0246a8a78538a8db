"""The story of one probe on one time axis: response, what else was measured, what moved in common, what was in use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import pandas as pd
import plotly.graph_objects as go

from analytics.named_rows import named_rows
from analytics.results import SeriesResult
from dashboard.figures import ground, readings
from dashboard.figures.forecast import draw_forecast, horizon
from dashboard.figures.in_use import draw_in_use, lanes
from dashboard.figures.sheet import Sheet
from dashboard.parts import values
from dashboard.parts.words import QUANTITY

FEWEST = 6  # asked of a low row's axis: with fewer, a step of five may leave only the nought
TALL, LOW, LANE = 340, 96, 26  # pixels of the response row, of each other one, and of a lane of equipment


@dataclass(frozen=True)
class Chapter:
    """One series with its points, for one row of the story."""

    series: SeriesResult
    points: pd.DataFrame


def story(
    main: Chapter,
    others: Sequence[Chapter],
    events: pd.DataFrame,
    as_of: datetime,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> go.Figure:
    """The figure.

    main:   the response series in question (top row).
    others: further quantities of the same probe, one row each, in the order given.
    events: rows of ``Records.events`` of this probe.
    start, end: the time shown; None: from the first check to ``as_of``, or to the end of the forecast if any.

    A marked point's ``customdata[0]`` is its ``check_at`` as ISO text.
    """
    first, last = start or _first(main), end or max(as_of, horizon(main.series, as_of, start))
    shown = _cut(main.points, first, last)
    moved = bool(shown["shared_pct"].notna().any())
    used = lanes(shown)
    heights = [TALL, *[LOW] * (len(others) + moved), *[LANE * len(used)] * bool(used)]
    sheet = Sheet(heights, top=52, legend=76)
    readings.draw(sheet, main.series, shown, legend=True)
    readings.draw_alerts(sheet, main.series, shown, main.series.alerts)
    draw_forecast(sheet, main.series, as_of, last)
    sheet.title(f"Response in {main.series.window}, {main.series.unit}")
    sheet.y(nticks=8)
    number = 1 + len(main.series.alerts)
    for row, chapter in enumerate(others, 2):
        here = _cut(chapter.points, first, last)
        readings.draw(sheet, chapter.series, here, row=row, levels=False)
        readings.draw_alerts(sheet, chapter.series, here, chapter.series.alerts, row=row, first=number)
        number += len(chapter.series.alerts)
        sheet.title(f"{story_name(chapter.series, main.series)}, {chapter.series.unit}", row=row)
        sheet.y(row, nticks=FEWEST)
    if moved:
        _shared(sheet, shown, row=len(others) + 2)
    if used:
        draw_in_use(sheet, shown, used, row=len(heights))
        sheet.title("In use", row=len(heights))
    _events(sheet, events, first, last)
    sheet.down(as_of, {"color": ground.INK, "width": 1})
    sheet.x(
        range=[ground.stamp(first), ground.stamp(last if end else last + 0.01 * (last - first))],  # the newest mark is whole
        showspikes=True,
        spikemode="across",
        spikethickness=1,
        spikecolor=ground.INK,
        spikesnap="cursor",
        spikedash="dot",
    )
    sheet.layout(clickmode="event+select")
    return sheet.figure()


def story_name(series: SeriesResult, main: SeriesResult) -> str:
    """What a row is called: its quantity, with its probe and window where those are not the main row's."""
    word = QUANTITY[series.quantity]
    whose = "" if series.probe == main.probe else f"{series.probe}: "
    return f"{whose}{word}" if series.window == main.window else f"{whose}{word} in {series.window}"


def _first(main: Chapter) -> datetime:
    if main.points.empty:
        return (main.series.latest_at or datetime(2000, 1, 1)) - timedelta(days=10)
    first: datetime = main.points["check_at"].iloc[0].to_pydatetime()
    return first - timedelta(days=10)


def _cut(points: pd.DataFrame, first: datetime, last: datetime) -> pd.DataFrame:
    return points[(points["check_at"] >= first) & (points["check_at"] <= last)]


def _shared(sheet: Sheet, points: pd.DataFrame, *, row: int) -> None:
    known = points[points["shared_pct"].notna()]
    xs, ys = ground.broken_line(known["check_at"], known["shared_pct"], ground.pieces(known["check_at"]))
    sheet.line(xs, ys, {"color": ground.FORECAST, "width": 1.5}, row=row, hoverinfo="x+y")
    sheet.across(0, {"color": ground.INK, "width": 1}, row=row)
    reach = max(1.0, float(known["shared_pct"].abs().max()) * 1.2)
    sheet.y(row, range=[-reach, reach], nticks=FEWEST)
    sheet.title("Shared movement, taken off, %", row=row)


def _events(sheet: Sheet, events: pd.DataFrame, first: datetime, last: datetime) -> None:
    """A line through all rows for each event, its word on top; a thick one where a new reference begins."""
    shown = events[(events["happened_at"] >= first) & (events["happened_at"] <= last)]
    for place, one in enumerate(named_rows(shown.sort_values("happened_at"))):
        sheet.down(
            one.happened_at,
            {
                "color": ground.INK,
                "width": 2.5 if one.new_reference else 1.2,
                "dash": "solid" if one.new_reference else "dot",
            },
        )
        word = str(one.kind).replace("_", " ")
        fresh = "; a new reference begins" if one.new_reference else ""
        note = f"<br>{one.note}" if isinstance(one.note, str) and one.note else ""
        sheet.note(
            word,
            one.happened_at,
            1,
            yanchor="bottom",
            xanchor="left",
            xshift=-2,
            yshift=18 + 13 * (place % 2),
            hovertext=f"{values.moment(one.happened_at)}: {word}{fresh}{note}",
        )
