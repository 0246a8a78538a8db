"""The small figure beside an alert: the readings before and after it began, their limits, and where it signalled."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import pandas as pd
import plotly.graph_objects as go

from analytics.results import Alert, SeriesResult
from dashboard.figures import ground, readings
from dashboard.parts.words import QUANTITY


def evidence(series: SeriesResult, points: pd.DataFrame, alerts: Sequence[Alert], as_of: datetime) -> go.Figure:
    """One series from well before the earliest onset to ``as_of``, its limits, and a ring where each alert signalled.

    points: ``FleetAssessment.points_of(series)``.
    alerts: those of the episode on this series, by time.
    """
    began = min([a.onset_estimate or a.signalled_at for a in alerts], default=as_of)
    ended = max([a.settled_at or as_of for a in alerts], default=as_of)
    room = max((ended - began) * 0.6, timedelta(days=60))
    shown = points[(points["check_at"] >= began - room) & (points["check_at"] <= ended + room * 0.3)]
    figure = go.Figure()
    readings.draw(figure, series, shown, row=None)
    readings.draw_alerts(figure, shown, alerts)
    ground.frame(figure, 210, legend=False)
    figure.update_layout(margin={"t": 22})
    figure.update_yaxes(nticks=4)
    figure.add_annotation(
        x=0,
        y=1,
        xref="paper",
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        showarrow=False,
        font={"size": 11},
        text=f"{QUANTITY[series.quantity]}, {series.unit}",
    )
    return figure
