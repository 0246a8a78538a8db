"""What all probes on a check source, jig or control unit do together, over time."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import plotly.graph_objects as go

from analytics.results import DeviceResult
from dashboard.figures import ground
from dashboard.parts import values
from dashboard.parts.words import DEVICE


def common_movement(shared: pd.DataFrame, name: str, *, height: int = 320) -> go.Figure:
    """Offset in per cent with its 90 % interval; the line stops where nothing was read.

    shared: rows of ``FleetAssessment.shared`` of one device, in time order.
    """
    figure = go.Figure()
    piece = ground.pieces(shared["at"])
    xs, ys = ground.ribbon(shared["at"], shared["offset_low_pct"], shared["offset_high_pct"], piece)
    figure.add_trace(
        go.Scatter(
            x=xs,
            y=ys,
            fill="toself",
            fillcolor=ground.FORECAST_SOFT,
            line={"width": 0},
            mode="lines",
            name="90 % interval",
            hoverinfo="skip",
        )
    )
    xs, ys = ground.broken_line(shared["at"], shared["offset_pct"], piece)
    figure.add_trace(
        go.Scatter(
            x=xs, y=ys, mode="lines", line={"color": ground.FORECAST, "width": 2}, hoverinfo="skip", showlegend=False
        )
    )
    figure.add_trace(
        ground.scatter(
            len(shared),
            x=shared["at"],
            y=shared["offset_pct"],
            mode="markers",
            name="all probes on it, together",
            marker={"size": 5, "color": ground.FORECAST},
            hovertext=[
                f"<b>{values.day(o.at)}</b><br>{values.number(o.offset_pct, '%', digits=2, sign=True)}"
                f"<br>{values.count(int(o.probes), 'probe')} speak for it"
                for o in shared.itertuples()
            ],
            hoverinfo="text",
        )
    )
    figure.add_hline(y=0, line={"color": ground.INK, "width": 1})
    ground.frame(figure, height, legend=height > 250)
    figure.add_annotation(
        x=0,
        y=1,
        xref="paper",
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        showarrow=False,
        font={"size": 11},
        text=f"Common movement on {name}, %",
    )
    reach = max(
        1.5, float(shared[["offset_low_pct", "offset_high_pct"]].abs().max().max()) * 1.1 if len(shared) else 0.0
    )
    figure.update_yaxes(range=[-reach, reach], ticksuffix=" %")
    return figure


def standing(devices: Sequence[DeviceResult]) -> go.Figure:
    """Where each device stands now: its common offset with the 90 % interval, farthest from zero on top."""
    known = sorted((d for d in devices if d.offset_pct is not None), key=lambda d: abs(d.offset_pct or 0.0))
    figure = go.Figure()
    for advice, status in DEVICE.items():
        mine = [d for d in known if d.advice == advice]
        if not mine:
            continue
        spans = [d.offset_interval_pct or (d.offset_pct or 0.0, d.offset_pct or 0.0) for d in mine]
        figure.add_trace(
            go.Scatter(
                x=[d.offset_pct for d in mine],
                y=[d.name for d in mine],
                mode="markers",
                name=f"{status.mark} {status.word}",
                marker={"symbol": status.symbol, "size": 12, "color": status.colour},
                customdata=[[d.name] for d in mine],
                error_x={
                    "type": "data",
                    "symmetric": False,
                    "array": [s[1] - (d.offset_pct or 0.0) for d, s in zip(mine, spans, strict=True)],
                    "arrayminus": [(d.offset_pct or 0.0) - s[0] for d, s in zip(mine, spans, strict=True)],
                    "thickness": 2,
                    "width": 0,
                    "color": status.colour,
                },
                hovertext=[
                    f"<b>{d.name}</b>: {status.word}<br>{values.number(d.offset_pct, '%', digits=2, sign=True)} "
                    f"({values.interval(d.offset_interval_pct, '%', digits=2)})"
                    for d in mine
                ],
                hoverinfo="text",
            )
        )
    figure.add_vline(x=0, line={"color": ground.INK, "width": 1})
    ground.frame(figure, 150 + 30 * len(known))
    figure.update_yaxes(type="category", categoryorder="array", categoryarray=[d.name for d in known], showgrid=True)
    figure.update_xaxes(ticksuffix=" %")
    figure.add_annotation(
        x=0,
        y=1,
        xref="paper",
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        showarrow=False,
        font={"size": 12},
        text="Common offset now, %",
    )
    return figure
