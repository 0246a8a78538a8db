"""Where the response is going: the trend carried on, and when it passes its limit, as a range and not as a day."""

from __future__ import annotations

from datetime import datetime, time, timedelta

import plotly.graph_objects as go

from analytics.results import Crossing, SeriesResult
from dashboard.figures import ground
from dashboard.parts import values

SHARE = 0.6  # of the time that is on record: so far ahead the figure reaches at most
LEAST = timedelta(days=365)  # and so far at least, where the range goes that far; beyond it the range ends in an arrow


def horizon(series: SeriesResult, as_of: datetime) -> datetime:
    """How far ahead the figure reaches: a little past the crossing range, or as far as the record bears.

    ``as_of`` where nothing is forecast.
    """
    crossing = series.crossing
    if crossing is None or crossing.p05 is None:
        return as_of
    begun = series.reference.from_at if series.reference is not None else as_of
    farthest = max(LEAST, (as_of - begun) * SHARE)
    end = crossing.p95 or crossing.p50
    if end is None:
        return as_of + farthest
    reach = datetime.combine(end, time()) - as_of
    return as_of + min(farthest, max(reach * 1.15, timedelta(days=60)))


def draw_forecast(figure: go.Figure, series: SeriesResult, as_of: datetime) -> None:
    """Draw trend and crossing range into row 1; nothing where the series forecasts no crossing."""
    crossing, reference = series.crossing, series.reference
    if crossing is None or reference is None:
        return
    limit = reference.value * crossing.limit_pct / 100
    end = horizon(series, as_of)
    if (
        series.current_interval is not None
        and series.drift_interval is not None
        and series.current is not None
        and series.drift_per_year is not None
    ):
        years = (end - as_of).days / 365.25
        lows, highs = series.current_interval, series.drift_interval
        figure.add_trace(
            go.Scatter(
                x=[as_of, end, end, as_of, as_of],
                y=[lows[0], lows[0] + highs[0] * years, lows[1] + highs[1] * years, lows[1], lows[0]],
                fill="toself",
                fillcolor=ground.FORECAST_SOFT,
                line={"width": 0},
                mode="lines",
                hoverinfo="skip",
                name="trend carried on (level and slope, 90 % each)",
            ),
            row=1,
            col=1,
        )
        figure.add_trace(
            go.Scatter(
                x=[as_of, end],
                y=[series.current, series.current + series.drift_per_year * years],
                mode="lines",
                showlegend=False,
                line={"color": ground.FORECAST, "width": 1.5, "dash": "dash"},
                hoverinfo="skip",
            ),
            row=1,
            col=1,
        )
    if crossing.p05 is None:
        return
    first = datetime.combine(crossing.p05, time())
    if first >= end:
        return
    open_end = crossing.p95 is None or datetime.combine(crossing.p95, time()) > end
    last = end if open_end or crossing.p95 is None else datetime.combine(crossing.p95, time())
    figure.add_trace(
        go.Scatter(
            x=[first, last],
            y=[limit, limit],
            mode="lines+markers",
            line={"color": ground.FORECAST, "width": 5},
            name=f"when it passes {crossing.limit_pct:g} %: 90 % range",
            marker={
                "symbol": ["line-ns-open", "triangle-right" if open_end else "line-ns-open"],
                "size": 13,
                "line": {"width": 2},
            },
            hoverinfo="text",
            hovertext=says(crossing),
        ),
        row=1,
        col=1,
    )
    if crossing.p50 is not None and datetime.combine(crossing.p50, time()) <= end:
        figure.add_trace(
            go.Scatter(
                x=[datetime.combine(crossing.p50, time())],
                y=[limit],
                mode="markers",
                showlegend=False,
                hoverinfo="text",
                hovertext=says(crossing),
                marker={"symbol": "diamond", "size": 12, "color": ground.FORECAST},
            ),
            row=1,
            col=1,
        )


def says(crossing: Crossing) -> str:
    """The range in words.

    >>> from datetime import date
    >>> says(Crossing(90.0, date(2024, 8, 1), date(2025, 1, 10), None, {}))
    'passes 90 % about 10 Jan 2025; 90 % range from 1 Aug 2024 to beyond 5 years'
    """
    about = f" about {values.day(crossing.p50)}" if crossing.p50 else ""
    last = values.day(crossing.p95) if crossing.p95 else "beyond 5 years"
    return f"passes {crossing.limit_pct:g} %{about}; 90 % range from {values.day(crossing.p05)} to {last}"
