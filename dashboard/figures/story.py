"""The story of one probe on one time axis: response, what else was measured, what moved in common, what was in use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analytics.results import SeriesResult
from dashboard.figures import ground, readings
from dashboard.figures.forecast import draw_forecast, horizon
from dashboard.figures.in_use import draw_in_use, lanes
from dashboard.parts import values
from dashboard.parts.words import QUANTITY

TALL, LOW = 360, 120  # pixels of the response row and of each other one


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
    rows = ["main", *[c.series.quantity for c in others]]
    moved = bool(main.points["shared_pct"].notna().any())
    rows += ["shared"] * moved + ["in_use"]
    used = lanes(main.points)
    heights = [TALL] + [LOW] * (len(rows) - 2) + [26 * max(1, len(used)) + 14]
    figure = make_subplots(
        rows=len(rows),
        cols=1,
        shared_xaxes=True,
        vertical_spacing=34 / (sum(heights) + 34 * len(rows)),
        row_heights=[h / sum(heights) for h in heights],
    )
    first = start or _first(main)
    last = end or max(as_of, horizon(main.series, as_of))
    main_shown, other_shown = _cut(main.points, first, last), [_cut(c.points, first, last) for c in others]
    readings.draw(figure, main.series, main_shown, row=1, legend=True)
    readings.draw_alerts(figure, main.points, main.series.alerts, row=1)
    draw_forecast(figure, main.series, as_of)
    _title(figure, 1, f"Response, {main.series.unit}: charted value, shared movement taken off")
    number = 1 + len(main.series.alerts)
    for row, (chapter, shown) in enumerate(zip(others, other_shown, strict=True), 2):
        readings.draw(figure, chapter.series, shown, row=row, levels=False)
        readings.draw_alerts(figure, chapter.points, chapter.series.alerts, row=row, first=number)
        number += len(chapter.series.alerts)
        _title(figure, row, f"{QUANTITY[chapter.series.quantity]}, {chapter.series.unit}")
    if moved:
        _shared(figure, main_shown, row=rows.index("shared") + 1)
    draw_in_use(figure, _cut(main.points, first, last), used, row=len(rows))
    _title(figure, len(rows), "In use")
    _events(figure, events, first, last)
    for row in range(1, len(rows) + 1):
        figure.add_vline(x=as_of, line={"color": ground.INK, "width": 1}, row=row, col=1)
    ground.frame(figure, sum(heights) + 34 * len(rows) + 110, right=8)
    figure.update_xaxes(
        range=[first, last],
        showspikes=True,
        spikemode="across",
        spikethickness=1,
        spikecolor=ground.INK,
        spikesnap="cursor",
    )
    figure.update_yaxes(nticks=4)
    figure.update_yaxes(nticks=8, row=1, col=1)
    figure.update_layout(clickmode="event+select", margin={"t": 46}, hoverdistance=12)
    return figure


def _first(main: Chapter) -> datetime:
    if main.points.empty:
        return main.series.latest_at or datetime(2000, 1, 1)
    first: datetime = main.points["check_at"].iloc[0].to_pydatetime()
    return first - timedelta(days=10)


def _cut(points: pd.DataFrame, first: datetime, last: datetime) -> pd.DataFrame:
    return points[(points["check_at"] >= first) & (points["check_at"] <= last)]


def _title(figure: go.Figure, row: int, text: str) -> None:
    figure.add_annotation(
        text=text,
        x=0,
        y=1,
        xref="x domain",
        yref="y domain",
        xanchor="left",
        yanchor="bottom",
        showarrow=False,
        font={"size": 12},
        row=row,
        col=1,
    )


def _shared(figure: go.Figure, points: pd.DataFrame, *, row: int) -> None:
    known = points[points["shared_pct"].notna()]
    xs, ys = ground.broken_line(known["check_at"], known["shared_pct"], ground.pieces(known["check_at"]))
    figure.add_trace(
        go.Scatter(
            x=xs,
            y=ys,
            mode="lines",
            line={"color": ground.FORECAST, "width": 1.5},
            showlegend=False,
            hovertemplate="%{x|%-d %b %Y}: %{y:+.2f} %<extra>shared movement</extra>",
        ),
        row=row,
        col=1,
    )
    figure.add_hline(y=0, line={"color": ground.INK, "width": 1}, row=row, col=1)
    reach = max(1.0, float(known["shared_pct"].abs().max()) * 1.2) if len(known) else 1.0
    figure.update_yaxes(range=[-reach, reach], row=row, col=1)
    _title(figure, row, "Shared movement of source and jig, % (what was taken off)")


def _events(figure: go.Figure, events: pd.DataFrame, first: datetime, last: datetime) -> None:
    """A line through all rows for each event, its word on top; a doubled line where a new reference begins."""
    shown = events[(events["happened_at"] >= first) & (events["happened_at"] <= last)]
    for one in shown.itertuples():
        figure.add_shape(
            type="line",
            x0=one.happened_at,
            x1=one.happened_at,
            y0=0,
            y1=1,
            xref="x",
            yref="paper",
            line={
                "color": ground.INK,
                "width": 2.5 if one.new_reference else 1,
                "dash": "solid" if one.new_reference else "dot",
            },
        )
        figure.add_annotation(
            x=one.happened_at,
            y=1,
            xref="x",
            yref="paper",
            yanchor="bottom",
            xanchor="left",
            yshift=16,
            textangle=0,
            showarrow=False,
            text=f"▏{str(one.kind).replace('_', ' ')}",
            font={"size": 11},
            hovertext=f"{values.moment(one.happened_at)}: {str(one.kind).replace('_', ' ')}"
            f"{'; a new reference begins' if one.new_reference else ''}{_note(one.note)}",
        )


def _note(note: object) -> str:
    return f"<br>{note}" if isinstance(note, str) and note else ""
