"""Days out of tolerance unseen against the interval between checks, with what is accepted."""

from __future__ import annotations

import plotly.graph_objects as go

from analytics.advice.check_interval import IntervalAdvice
from dashboard.figures.ground import BEYOND, DOT, INK
from dashboard.figures.sheet import Sheet

LEAST = 1e-3  # days; what is less is drawn there


def how_rarely(found: IntervalAdvice) -> go.Figure:
    """Marks for each interval, the advised one larger; both axes logarithmic; the accepted level as a line."""
    sheet = Sheet([300], top=14, legend=40)
    days = [one.interval_days for one in found.prices]
    unseen = [max(one.unseen_days, LEAST) for one in found.prices]
    sheet.line(days, unseen, {"color": INK, "width": 1.5})
    for name, symbol, colour, chosen in (
        ("keeps to it", "circle", DOT, [u <= found.accepted_days for u in unseen]),
        ("does not", "x", BEYOND, [u > found.accepted_days for u in unseen]),
    ):
        if any(chosen):
            sheet.trace(
                x=[d for d, c in zip(days, chosen, strict=True) if c],
                y=[u for u, c in zip(unseen, chosen, strict=True) if c],
                mode="markers",
                name=name,
                marker={
                    "symbol": symbol,
                    "color": colour,
                    "size": [15 if d == found.advised_days else 9 for d, c in zip(days, chosen, strict=True) if c],
                },
                hovertemplate="every %{x:g} d: %{y:.3g} d unseen a probe-year<extra></extra>",
            )
    sheet.line([days[0], days[-1]], [found.accepted_days] * 2, {"color": BEYOND, "width": 1.5, "dash": "dash"}, name="accepted")
    sheet.x(type="log", title="Days between checks", tickvals=days, ticktext=[f"{one:g}" for one in days])
    sheet.y(type="log", title="Days unseen a probe-year", tickformat="~g")
    return sheet.figure()
