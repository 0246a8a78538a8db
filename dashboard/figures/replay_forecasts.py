"""Each forecast of an earlier month as a horizontal interval, with the day on which the limit was truly passed on it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

import plotly.graph_objects as go

from analytics.replays.results import Forecast
from dashboard.figures import ground

STEP_PX = 9  # height of one forecast
GAP_STEPS = 1.6  # between the series
MOST = 150  # forecasts that can be read at all; the newest are drawn

GOOD = "#2b8a6e"
LOOKS = {
    # word, colour, line, symbol at the median
    "held": ("held the day", GOOD, "solid", "circle"),
    "missed": ("did not hold it", ground.BEYOND, "solid", "x"),
    "open": ("still open", ground.INK, "dot", "circle-open"),
    "already_passed": ("made after the day", ground.LIMIT, "dot", "triangle-up-open"),
}


def _kind(one: Forecast) -> str:
    return "missed" if one.verdict in ("sooner", "later") else one.verdict


def shown(forecasts: Sequence[Forecast]) -> list[Forecast]:
    """Those that are drawn: the newest ``MOST``, series by series in the order of their first forecast, oldest first."""
    newest = sorted(forecasts, key=lambda one: one.made_at)[-MOST:]
    begins: dict[int, datetime] = {}
    for one in newest:
        begins.setdefault(one.drift, one.made_at)
    return sorted(newest, key=lambda one: (begins[one.drift], one.drift, one.made_at))


def replay_forecasts(forecasts: Sequence[Forecast], until: datetime) -> go.Figure:
    """The picture. ``customdata`` of a median mark is [probe, day it was said].

    One band a series; in it one line a month end, oldest on top, from the early to the late end, an arrow where no late
    end was given; the vertical bar is the day of the passing, shaded over the days it may have been.
    """
    figure = go.Figure()
    drawn = shown(forecasts)
    heights: list[float] = []
    bands: list[tuple[Forecast, float, float]] = []
    y = 0.0
    for number, one in enumerate(drawn):
        if number and one.drift != drawn[number - 1].drift:
            y += GAP_STEPS
        heights.append(y)
        if number == 0 or one.drift != drawn[number - 1].drift:
            bands.append((one, y, y))
        bands[-1] = (bands[-1][0], bands[-1][1], y)
        y += 1.0
    first, last = _span(drawn, until)
    for first_of, top, bottom in bands:
        _passing(figure, first_of, top - 0.7, bottom + 0.7)
    for kind in LOOKS:
        _intervals(figure, kind, [(one, h) for one, h in zip(drawn, heights, strict=True) if _kind(one) == kind], last)
    ground.frame(figure, int(150 + STEP_PX * max(y, 4.0)))
    figure.update_xaxes(range=[first.isoformat(), last.isoformat()], type="date", showgrid=True, gridcolor=ground.FAINT)
    figure.update_yaxes(
        tickvals=[0.5 * (top + bottom) for _, top, bottom in bands],
        ticktext=[f"{_plain(one.probe)} {_plain(one.window)}" for one, _, _ in bands],
        range=[max(y, 4.0) + 0.5, -1.5],
        ticks="",
        showgrid=False,
        tickfont={"size": 11},
    )
    figure.add_vline(x=until.date().isoformat(), line={"color": ground.INK, "width": 1, "dash": "dot"})
    return figure


def _span(drawn: Sequence[Forecast], until: datetime) -> tuple[date, date]:
    """Days from the first forecast to where the late ends are, but not years beyond what is known."""
    if not drawn:
        return until.date() - timedelta(days=365), until.date()
    ends = [one.p95 or one.p50 or one.p05 for one in drawn]
    reach = max(*ends, until.date(), *[one.passed_on for one in drawn if one.passed_on is not None])
    return (
        min(one.made_at.date() for one in drawn) - timedelta(days=15),
        min(reach, until.date() + timedelta(days=540)) + timedelta(days=15),
    )


def _intervals(figure: go.Figure, kind: str, found: list[tuple[Forecast, float]], last: date) -> None:
    if not found:
        return
    word, colour, dash, symbol = LOOKS[kind]
    xs: list[date | None] = []
    ys: list[float | None] = []
    for one, y in found:
        xs += [one.p05, one.p95 or last, None]
        ys += [y, y, None]
    figure.add_trace(
        go.Scatter(
            x=xs,
            y=ys,
            mode="lines",
            name=word,
            legendgroup=kind,
            showlegend=False,
            line={"color": colour, "width": 4 if dash == "solid" else 2.5, "dash": dash},
            opacity=0.75,
            hoverinfo="skip",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=[one.made_at.date() for one, _ in found],
            y=[y for _, y in found],
            mode="markers",
            legendgroup=kind,
            showlegend=False,
            marker={"symbol": "line-ns-open", "size": 6, "color": ground.INK, "line": {"width": 1}},
            hovertemplate="said at the end of %{x|%b %Y}<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=[one.p50 or one.p05 for one, _ in found],
            y=[y for _, y in found],
            mode="markers",
            name=word,
            legendgroup=kind,
            marker={"symbol": symbol, "size": 7, "color": colour, "line": {"width": 1.5, "color": colour}},
            customdata=[[one.probe, one.made_at.date().isoformat()] for one, _ in found],
            text=[_said(one) for one, _ in found],
            hovertemplate="%{text}<extra></extra>",
        )
    )


def _said(one: Forecast) -> str:
    late = f"and {one.p95}" if one.p95 is not None else "(no late end)"
    came = f"passed on {one.passed_on}" if one.passed_on else f"not passed up to {one.followed_until}"
    return (
        f"<b>{_plain(one.probe)}</b> {_plain(one.window)}, said on {one.made_at.date()}<br>"
        f"to pass {one.limit_pct:g} % between {one.p05} {late}<br>{came}: {LOOKS[_kind(one)][0]}"
        + ("<br>in doubt: the day itself is not known so well" if one.in_doubt else "")
    )


def _passing(figure: go.Figure, one: Forecast, top: float, bottom: float) -> None:
    if one.passed_on is None or one.passed_between is None:
        return
    low, high = one.passed_between
    figure.add_shape(
        type="rect", x0=low, x1=high, y0=top, y1=bottom, line={"width": 0}, fillcolor=ground.FORECAST_SOFT, layer="below"
    )  # fmt: skip
    figure.add_trace(
        go.Scatter(
            x=[one.passed_on, one.passed_on],
            y=[top, bottom],
            mode="lines",
            showlegend=False,
            line={"color": ground.FORECAST, "width": 2.5},
            hovertemplate=f"{_plain(one.probe)} passed on %{{x|%-d %b %Y}}<extra></extra>",
        )
    )


def _plain(text: str) -> str:
    """Text from a record for a Plotly label, where angle brackets would be read as markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
