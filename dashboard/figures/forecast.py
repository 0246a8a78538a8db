"""Where the response is going: the trend carried on, and when it passes its limit, as a range and not as a day."""

from __future__ import annotations

from datetime import datetime, time, timedelta

from analytics.results import Crossing, SeriesResult
from dashboard.figures import ground
from dashboard.figures.ground import stamp
from dashboard.figures.sheet import Sheet
from dashboard.parts import values

SHARE = 0.6  # of the time that is on record: so far ahead the figure reaches at most
LEAST = timedelta(days=365)  # and so far at least, where the range goes that far; beyond it the range ends in an arrow


def horizon(series: SeriesResult, as_of: datetime, shown_from: datetime | None = None) -> datetime:
    """How far ahead the figure reaches: a little past the crossing range, or as far as the time behind it bears.

    shown_from: first moment shown; None: all that is on record. ``as_of`` is returned where nothing is forecast.
    """
    crossing = series.crossing
    if crossing is None or crossing.p05 is None:
        return as_of
    begun = shown_from or (series.reference.from_at if series.reference is not None else as_of)
    farthest = max(LEAST if shown_from is None else timedelta(days=60), (as_of - begun) * SHARE)
    end = crossing.p95 or crossing.p50
    if end is None:
        return as_of + farthest
    reach = datetime.combine(end, time()) - as_of
    return as_of + min(farthest, max(reach * 1.15, timedelta(days=60)))


def draw_forecast(sheet: Sheet, series: SeriesResult, as_of: datetime, end: datetime) -> None:
    """Trend and crossing range in row 1, up to ``end``; nothing where the series forecasts no crossing."""
    if series.crossing is None or series.reference is None or end <= as_of:
        return
    _trend(sheet, series, as_of, end)
    _range(sheet, series.crossing, series.reference.value * series.crossing.limit_pct / 100, end)


def _trend(sheet: Sheet, series: SeriesResult, as_of: datetime, end: datetime) -> None:
    level, slope = series.current_interval, series.drift_interval
    if level is None or slope is None or series.current is None or series.drift_per_year is None:
        return
    years = (end - as_of).days / 365.25
    begin, last = stamp(as_of), stamp(end)
    sheet.area(
        [begin, last, last, begin, begin],
        [level[0], level[0] + slope[0] * years, level[1] + slope[1] * years, level[1], level[0]],
        ground.FORECAST_SOFT,
        name="trend carried on (level and slope, 90 % each)",
    )
    sheet.line(
        [begin, last],
        [series.current, series.current + series.drift_per_year * years],
        {"color": ground.FORECAST, "width": 1.5, "dash": "dash"},
    )


def _range(sheet: Sheet, crossing: Crossing, limit: float, end: datetime) -> None:
    if crossing.p05 is None or datetime.combine(crossing.p05, time()) >= end:
        return
    goes_on = crossing.p95 is None or datetime.combine(crossing.p95, time()) > end
    last = stamp(end) if goes_on else stamp(crossing.p95)
    sheet.trace(
        x=[stamp(crossing.p05), last],
        y=[limit, limit],
        mode="lines+markers",
        line={"color": ground.FORECAST, "width": 5},
        name=f"when it passes {crossing.limit_pct:g} %: 90 % range",
        hoverinfo="text",
        hovertext=says(crossing),
        marker={
            "symbol": ["line-ns-open", "triangle-right" if goes_on else "line-ns-open"],
            "size": 13,
            "color": ground.FORECAST,
            "line": {"width": 2},
        },
    )
    if crossing.p50 is not None and datetime.combine(crossing.p50, time()) <= end:
        sheet.trace(
            x=[stamp(crossing.p50)],
            y=[limit],
            mode="markers",
            showlegend=False,
            hoverinfo="text",
            hovertext=says(crossing),
            marker={"symbol": "diamond", "size": 12, "color": ground.FORECAST},
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
