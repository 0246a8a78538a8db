"""Days to a signal against the size of the change: one line a budget, and the old habit's; steps left, drifts right."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboard.figures import ground

if TYPE_CHECKING:
    from dashboard.seam.price_curves import Curve

# Light to dark with the budget, so that the order is seen without the legend; the chosen one is drawn thick.
SHADES = ("#1f5f70", "#2f7f93", "#4f9fb3", "#7fbccb", "#a6d2dc")
DASHES = ("solid", "solid", "dash", "dot", "dashdot")
HIGHEST_DAYS = 3652.0  # what takes longer lies above the picture
TICKS_DAYS = {1: "1 d", 3: "3 d", 7: "a week", 14: "2 weeks", 30: "a month", 91: "3 months", 182: "6 months", 365: "a year",
              1096: "3 years", 3652: "10 years", 10957: "30 years", 36525: "a century"}  # fmt: skip


def price_curves(curves: Sequence[Curve], budget: float) -> go.Figure:
    """Both axes are logarithmic. ``budget`` is the one asked for."""
    figure = make_subplots(
        rows=1,
        cols=2,
        shared_yaxes=True,
        horizontal_spacing=0.03,
        subplot_titles=("a loss at once, %", "a steady loss, % a year"),
    )
    budgets = sorted({one.budget for one in curves if one.budget is not None})
    for one in curves:
        column = 1 if one.kind == "step" else 2
        place = 0 if one.budget is None else budgets.index(one.budget)
        chosen = one.budget == budget
        known = [(size, days) for size, days in zip(one.size, one.days, strict=True) if days is not None]
        figure.add_trace(
            go.Scatter(
                x=[size for size, _ in known],
                y=[days for _, days in known],
                mode="lines+markers",
                name=one.name + (", asked for" if chosen else ""),
                legendgroup=one.name,
                showlegend=column == 1,
                line={
                    "color": ground.BEYOND if one.budget is None else SHADES[min(place, len(SHADES) - 1)],
                    "width": 4 if chosen else 2,
                    "dash": "longdash" if one.budget is None else DASHES[0 if chosen else min(place + 1, 4)],
                },
                marker={"size": 8 if chosen else 5, "symbol": "x" if one.budget is None else "circle"},
                hovertemplate=f"<b>{one.name}</b><br>%{{x:g}} {'% at once' if column == 1 else '% a year'}: after %{{y:.3g}} d<extra></extra>",
            ),
            row=1,
            col=column,
        )
    ground.frame(figure, 420)
    every = [days for one in curves for days in one.days if days is not None]
    low, high = min(every, default=1.0), min(max(every, default=365.0), HIGHEST_DAYS)
    ticks = [days for days in TICKS_DAYS if 0.6 * low <= days <= 1.6 * high]
    figure.update_yaxes(
        type="log",
        range=[math.log10(0.75 * low), math.log10(1.4 * high)],
        tickvals=ticks,
        ticktext=[TICKS_DAYS[days] for days in ticks],
        showgrid=True,
        gridcolor=ground.FAINT,
        minor={"ticks": ""},
    )
    figure.update_yaxes(title={"text": "mean time to the signal", "standoff": 4, "font": {"size": 12}}, row=1, col=1)
    for column, at in ((1, (1, 2, 3, 5, 10, 15)), (2, (2, 3, 5, 10, 20, 40))):
        figure.update_xaxes(type="log", tickvals=at, ticktext=[f"{one:g}" for one in at], row=1, col=column)
    figure.update_annotations(font={"size": 13})
    return figure
