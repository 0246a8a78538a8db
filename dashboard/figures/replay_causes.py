"""Predicted against right: of the causes named with a probability, how many were what was found."""

from __future__ import annotations

import plotly.graph_objects as go

from analytics.replays.reliability import Reliability
from dashboard.figures import ground

HIGH, LOW = -8.0, -16.0  # where the counts stand


def replay_causes(told: Reliability) -> go.Figure:
    """One mark a bin at its mean probability, with its 90 % interval; "right/named" below it; the diagonal is exact.

    Both axes are in per cent.
    """
    figure = go.Figure()
    figure.add_trace(
        go.Scatter(
            x=[0, 100],
            y=[0, 100],
            mode="lines",
            name="as predicted",
            line={"color": ground.INK, "dash": "dash", "width": 1},
            hoverinfo="skip",
        )
    )
    bins = told.bins
    figure.add_trace(
        go.Scatter(
            x=[100 * one.mean_probability for one in bins],
            y=[100 * one.share for one in bins],
            mode="markers",
            name="found, with its 90 % interval",
            text=[f"{one.right} of {one.named}" for one in bins],
            marker={"symbol": "circle", "size": 11, "color": ground.DOT},
            error_y={
                "type": "data",
                "symmetric": False,
                "array": [100 * (one.interval[1] - one.share) for one in bins],
                "arrayminus": [100 * (one.share - one.interval[0]) for one in bins],
                "color": ground.DOT,
                "thickness": 1.5,
            },
            customdata=[[100 * one.low, 100 * one.high] for one in bins],
            hovertemplate="named with %{customdata[0]:.0f} to %{customdata[1]:.0f} %: %{text} right<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=[100 * one.mean_probability for one in bins],
            y=_below([100 * one.mean_probability for one in bins]),
            mode="text",
            text=[f"{one.right}/{one.named}" for one in bins],
            textfont={"size": 11},
            showlegend=False,
            hoverinfo="skip",
        )
    )
    ground.frame(figure, 340)
    figure.update_xaxes(ticksuffix=" %", range=[-2, 106], dtick=20)
    ticks = range(0, 101, 20)
    figure.update_yaxes(
        range=[-22, 106],
        tickvals=list(ticks),
        ticktext=[f"{one} %" for one in ticks],
        gridcolor=ground.FAINT,
    )
    return figure


def _below(at: list[float]) -> list[float]:
    """Heights for the counts: where two would stand over each other, the second goes lower."""
    out: list[float] = []
    for number, x in enumerate(at):
        crowded = number > 0 and x - at[number - 1] < 12 and out[-1] == HIGH
        out.append(LOW if crowded else HIGH)
    return out
