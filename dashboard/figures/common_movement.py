"""What all probes on a check source, jig or control unit do together, over time."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import plotly.graph_objects as go

from analytics.named_rows import named_rows
from analytics.results import DeviceResult
from dashboard.figures import ground
from dashboard.figures.sheet import Sheet
from dashboard.parts import values
from dashboard.parts.words import DEVICE


def common_movement(shared: pd.DataFrame, name: str, *, height: int = 230, legend: bool = True) -> go.Figure:
    """Offset in per cent with its 90 % interval; the line stops where nothing was read.

    shared: rows of ``FleetAssessment.shared`` of one device, in time order.
    """
    sheet = Sheet([height], legend=40 if legend else 0)
    piece = ground.pieces(shared["at"])
    sheet.area(
        *ground.ribbon(shared["at"], shared["offset_low_pct"], shared["offset_high_pct"], piece),
        ground.FORECAST_SOFT,
        name="90 % interval",
    )
    sheet.line(*ground.broken_line(shared["at"], shared["offset_pct"], piece), {"color": ground.FORECAST, "width": 2})
    sheet.trace(
        type=ground.renderer(len(shared)),
        x=ground.stamps(shared["at"]),
        y=shared["offset_pct"].to_numpy(),
        mode="markers",
        name="all probes on it, together",
        marker={"size": 5, "color": ground.FORECAST},
        hoverinfo="text",
        hovertext=[
            f"<b>{values.day(one.at)}</b><br>{values.number(one.offset_pct, '%', digits=2, sign=True)}"
            f"<br>{values.count(int(one.probes), 'probe')} speak for it"
            for one in named_rows(shared)
        ],
    )
    sheet.across(0, {"color": ground.INK, "width": 1})
    sheet.title(f"Common movement on {name}, %")
    reach = (
        max(1.5, float(shared[["offset_low_pct", "offset_high_pct"]].abs().max().max()) * 1.1) if len(shared) else 1.5
    )
    sheet.y(range=[-reach, reach], ticksuffix=" %")
    return sheet.figure()


def standing(devices: Sequence[DeviceResult]) -> go.Figure:
    """Where each device stands now: its common offset with the 90 % interval, farthest from zero on top.

    ``customdata[0]`` of a mark is the device's name.
    """
    known = sorted((d for d in devices if d.offset_pct is not None), key=lambda d: abs(d.offset_pct or 0.0))
    sheet = Sheet([max(1, len(known)) * 30])
    for advice, status in DEVICE.items():
        mine = [(d, d.offset_pct or 0.0, d.offset_interval_pct) for d in known if d.advice == advice]
        if not mine:
            continue
        up = [span[1] - middle if span else 0.0 for _, middle, span in mine]
        down = [middle - span[0] if span else 0.0 for _, middle, span in mine]
        sheet.trace(
            x=[middle for _, middle, _ in mine],
            y=[d.name for d, _, _ in mine],
            mode="markers",
            name=status.word,
            customdata=[[d.name] for d, _, _ in mine],
            marker={"symbol": status.symbol, "size": 12, "color": status.colour},
            showlegend=True,
            hoverinfo="text",
            error_x={
                "type": "data",
                "symmetric": False,
                "array": up,
                "arrayminus": down,
                "thickness": 2,
                "width": 0,
                "color": status.colour,
            },
            hovertext=[
                f"<b>{d.name}</b>: {status.word}<br>{values.number(middle, '%', digits=2, sign=True)}"
                f"<br>90 %: {values.interval(span, '%', digits=2)}"
                for d, middle, span in mine
            ],
        )
    sheet.down(0, {"color": ground.INK, "width": 1})
    sheet.title("Common offset now, %")
    sheet.x(ticksuffix=" %")
    sheet.y(type="category", categoryorder="array", categoryarray=[d.name for d in known], showgrid=True)
    sheet.layout(clickmode="event+select")
    return sheet.figure()
