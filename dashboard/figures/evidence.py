"""The small figure beside an alert: the readings before and after it began, their limits, and where it signalled."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import pandas as pd
import plotly.graph_objects as go

from analytics.results import Alert, SeriesResult
from dashboard.figures import ground, readings
from dashboard.figures.sheet import Sheet
from dashboard.parts.words import QUANTITY


def evidence(
    series: SeriesResult, points: pd.DataFrame, alerts: Sequence[Alert], as_of: datetime, *, height: int = 140
) -> go.Figure:
    """One series from well before the earliest onset to ``as_of``, its limits, and a ring where each alert signalled.

    points: ``FleetAssessment.points_of(series)``.
    alerts: those of the episode on this series, by time. height: pixels of the row.
    """
    began = min((a.onset_estimate or a.signalled_at for a in alerts), default=as_of)
    ended = max((a.settled_at or as_of for a in alerts), default=as_of)
    room = max((ended - began) * 0.6, timedelta(days=60))
    shown = points[(points["check_at"] >= began - room) & (points["check_at"] <= ended + room * 0.3)]
    sheet = Sheet([height], top=22, legend=0)
    readings.draw(sheet, series, shown)
    readings.draw_alerts(sheet, series, shown, alerts)
    sheet.title(f"{QUANTITY[series.quantity]} in {series.window}, {series.unit}")
    sheet.y(nticks=6)
    first, last = (shown["check_at"].iloc[0], shown["check_at"].iloc[-1]) if len(shown) else (began, ended)
    aside = timedelta(days=max(4.0, 0.04 * (last - first) / timedelta(days=1)))  # a lone check is no moment of a second
    sheet.x(range=[ground.stamp(first - aside), ground.stamp(last + aside)])
    return sheet.figure()
