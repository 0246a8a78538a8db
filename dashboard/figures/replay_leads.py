"""How long before each passing of the tolerance its first alarm came."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from analytics.replays.results import PassedTolerance
from dashboard.figures import ground
from dashboard.figures.replay_forecasts import GOOD, _plain
from dashboard.parts.words import RULE

ROW_PX = 22


def replay_leads(passed: Sequence[PassedTolerance]) -> go.Figure:
    """One row a passing, earliest alarm on top; 0 is the day the tolerance was passed, left of it is before.

    ``customdata`` of a mark is [probe, day of the alarm].
    """
    rows = sorted(passed, key=lambda one: (-(one.lead_days if one.lead_days is not None else -1e9), one.probe))
    figure = go.Figure()
    for sudden, word, symbol in ((False, "drift", "circle"), (True, "step", "diamond")):
        found = [(n, one, one.lead_days) for n, one in enumerate(rows) if one.sudden == sudden]
        known = [(n, one, lead) for n, one, lead in found if lead is not None]
        if not known:
            continue
        colour = [GOOD if lead > 0 else ground.BEYOND for _, _, lead in known]
        for (n, _, lead), shade in zip(known, colour, strict=True):
            line = {"color": shade, "width": 2}
            figure.add_shape(type="line", x0=-lead, x1=0, y0=n, y1=n, line=line, opacity=0.6)
        figure.add_trace(
            go.Scatter(
                x=[-lead for _, _, lead in known],
                y=[n for n, _, _ in known],
                mode="markers",
                name=f"first alarm on a {word}",
                marker={"symbol": symbol, "size": 11, "color": colour, "line": {"width": 0}},
                customdata=[[one.probe, f"{one.first_alarm_at:%Y-%m-%d}"] for _, one, _ in known],
                text=[_said(one) for _, one, _ in known],
                hovertemplate="%{text}<extra></extra>",
            )
        )
    none = [(n, one) for n, one in enumerate(rows) if one.lead_days is None]
    if none:
        figure.add_trace(
            go.Scatter(
                x=[0] * len(none),
                y=[n for n, _ in none],
                mode="markers",
                name="no alarm yet",
                marker={"symbol": "x-open", "size": 10, "color": ground.BEYOND, "line": {"width": 2}},
                text=[f"<b>{_plain(one.probe)}</b> passed on {one.passed_on}: no alarm" for _, one in none],
                hovertemplate="%{text}<extra></extra>",
            )
        )
    ground.frame(figure, 120 + ROW_PX * max(len(rows), 2))
    figure.add_vline(x=0, line={"color": ground.FORECAST, "width": 2})
    figure.update_xaxes(
        ticksuffix=" d",
        showgrid=True,
        gridcolor=ground.FAINT,
    )
    figure.update_yaxes(
        tickvals=list(range(len(rows))),
        ticktext=[f"{_plain(one.probe)} {_plain(one.window)}" for one in rows],
        range=[len(rows) - 0.4, -0.6],
        ticks="",
        showgrid=False,
        tickfont={"size": 11},
    )
    return figure


def _said(one: PassedTolerance) -> str:
    when = "before" if (one.lead_days or 0.0) > 0 else "after"
    rule = RULE[one.first_rule] if one.first_rule is not None else ""
    return (
        f"<b>{_plain(one.probe)}</b> {_plain(one.window)}, {'step' if one.sudden else 'drift'} "
        f"{'down' if one.direction == 'low' else 'up'}, passed on {one.passed_on}<br>"
        f"first alarm {abs(one.lead_days or 0.0):.0f} d {when}: {rule}"
    )
