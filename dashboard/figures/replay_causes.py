"""Predicted against right: of the causes named with a probability, how many were what was found."""

from __future__ import annotations

import plotly.graph_objects as go

from analytics.replays.reliability import Reliability
from dashboard.figures import ground


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
            x=[50 * (one.low + one.high) for one in bins],
            y=[-8] * len(bins),
            mode="text",
            text=[f"{one.right}/{one.named}" for one in bins],
            textfont={"size": 11},
            showlegend=False,
            hoverinfo="skip",
        )
    )
    ground.frame(figure, 340)
    figure.update_xaxes(ticksuffix=" %", range=[-2, 106], dtick=20)
    figure.update_yaxes(
        ticksuffix=" %",
        range=[-14, 106],
        tickvals=[0, 20, 40, 60, 80, 100],
        gridcolor=ground.FAINT,
    )
    return figure
