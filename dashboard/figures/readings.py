"""The readings of one series as marks: charted ones filled, set-aside ones hollow; error bars, limits, levels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from analytics.results import Alert, SeriesResult
from dashboard.figures import ground
from dashboard.parts import values
from dashboard.parts.words import RULE

# flag -> (word, symbol, filled)
FLAG = {
    "used": ("charted", "circle", True),
    "reference": ("charted, and part of the reference", "square", True),
    "lone_outlier": ("lone outlier, not charted", "circle-open", False),
    "pending": ("newest, far off: repeat asked for", "diamond-open", False),
    "excluded": ("excluded by a person", "x-thin-open", False),
    "no_signal": ("no signal", "triangle-down-open", False),
}


def number_mark(number: int) -> str:
    """The mark of the n-th alert in the figure and in the list under it.

    >>> number_mark(1), number_mark(21)
    ('①', '(21)')
    """
    return chr(0x2460 + number - 1) if 1 <= number <= 20 else f"({number})"


def draw(
    figure: go.Figure,
    series: SeriesResult,
    points: pd.DataFrame,
    *,
    row: int | None,
    legend: bool = False,
    levels: bool = True,
) -> None:
    """Put a series into a figure (or one row of it): limits, reference, thin line, marks with error bars."""
    place: dict[str, Any] = {} if row is None else {"row": row, "col": 1}
    charted = points[points["flag"].isin(["used", "reference"])]
    piece = ground.pieces(charted["check_at"], charted["expected"])
    if len(charted):
        xs, ys = ground.ribbon(charted["check_at"], charted["limit_low"], charted["limit_high"], piece)
        figure.add_trace(
            go.Scatter(
                x=xs,
                y=ys,
                fill="toself",
                fillcolor=ground.FAINT,
                line={"width": 0},
                mode="lines",
                hoverinfo="skip",
                name="chart limits (follow the counts)",
                legendgroup="limits",
                showlegend=legend,
            ),
            **place,
        )
        xs, ys = ground.broken_line(charted["check_at"], charted["expected"], piece)
        figure.add_trace(
            go.Scatter(
                x=xs,
                y=ys,
                mode="lines",
                line={"color": ground.INK, "width": 1.5},
                hoverinfo="skip",
                name="reference",
                legendgroup="reference",
                showlegend=legend,
            ),
            **place,
        )
        if levels:
            _levels(figure, series, charted, piece, legend=legend, place=place)
        xs, ys = ground.broken_line(charted["check_at"], charted["corrected"], piece)
        figure.add_trace(
            go.Scatter(
                x=xs,
                y=ys,
                mode="lines",
                line={"color": ground.DOT_SOFT, "width": 1},
                hoverinfo="skip",
                showlegend=False,
            ),
            **place,
        )
    for flag, (word, symbol, filled) in FLAG.items():
        marks = points[points["flag"] == flag]
        if marks.empty:
            continue
        heights = marks["corrected"].where(marks["corrected"].notna(), _floor(points))
        off = marks["corrected"] - marks["value"]
        figure.add_trace(
            ground.scatter(
                len(points),
                x=marks["check_at"],
                y=heights,
                mode="markers",
                name=word,
                legendgroup=flag,
                showlegend=legend,
                marker={
                    "symbol": symbol,
                    "size": (6 if flag == "used" else 6.5) if filled else 10,
                    "color": ground.DOT if filled else ground.BEYOND,
                    "line": {"width": 0 if filled else 1.8},
                },
                error_y={
                    "type": "data",
                    "symmetric": False,
                    "array": marks["value_high"] + off - heights,
                    "arrayminus": heights - marks["value_low"] - off,
                    "thickness": 1,
                    "width": 0,
                    "color": ground.DOT_SOFT,
                }
                if flag != "no_signal"
                else None,
                customdata=marks["check_at"].dt.strftime("%Y-%m-%dT%H:%M:%S").to_numpy().reshape(-1, 1),
                hovertext=_says(series, marks, word),
                hoverinfo="text",
            ),
            **place,
        )


def draw_alerts(
    figure: go.Figure, points: pd.DataFrame, alerts: Sequence[Alert], *, row: int | None = None, first: int = 1
) -> None:
    """A numbered ring on the check that tipped each alert, and a tint from the estimated onset to it."""
    place: dict[str, Any] = {} if row is None else {"row": row, "col": 1}
    for number, alert in enumerate(alerts, first):
        if alert.onset_estimate is not None and alert.onset_estimate < alert.signalled_at:
            figure.add_vrect(
                x0=alert.onset_estimate,
                x1=alert.signalled_at,
                fillcolor=ground.LIMIT,
                opacity=0.07,
                line_width=0,
                layer="below",
                **place,
            )
        at = points[points["check_at"] <= alert.signalled_at].tail(1)
        if at.empty:
            continue
        height = float(at["corrected"].iloc[0])
        height = _floor(points) if math.isnan(height) else height
        figure.add_trace(
            go.Scatter(
                x=[at["check_at"].iloc[0]],
                y=[height],
                mode="markers+text",
                text=[number_mark(number)],
                showlegend=False,
                textposition="bottom center" if alert.direction == "low" else "top center",
                textfont={"size": 15, "color": ground.BEYOND},
                marker={"symbol": "circle-open", "size": 15, "color": ground.BEYOND, "line": {"width": 2}},
                hoverinfo="text",
                hovertext=f"{number_mark(number)} signalled {values.moment(alert.signalled_at)}: {RULE[alert.rule]}",
            ),
            **place,
        )


def _levels(
    figure: go.Figure, series: SeriesResult, charted: pd.DataFrame, piece: Any, *, legend: bool, place: dict[str, Any]
) -> None:
    for pct, name, colour, dash in (
        (series.action_pct, "action level", ground.LIMIT, "dot"),
        (series.tolerance_pct, "tolerance limit", ground.BEYOND, "dash"),
    ):
        for side in (-1, 1) if pct is not None else ():
            xs, ys = ground.broken_line(charted["check_at"], charted["expected"] * (1 + side * (pct or 0) / 100), piece)
            figure.add_trace(
                go.Scatter(
                    x=xs,
                    y=ys,
                    mode="lines",
                    line={"color": colour, "width": 1.4, "dash": dash},
                    name=f"{name} ±{pct:g} % (site choice)",
                    legendgroup=name,
                    showlegend=legend and side == -1,
                    hoverinfo="skip",
                ),
                **place,
            )


def _floor(points: pd.DataFrame) -> float:
    """Where a check without a value is drawn: at the foot of what is shown."""
    low = points[["value_low", "limit_low", "corrected"]].min().min()
    return 0.0 if math.isnan(low) else float(low)


def _says(series: SeriesResult, marks: pd.DataFrame, word: str) -> list[str]:
    said = []
    for one in marks.itertuples():
        pct = (
            f" ({100 * one.corrected / one.expected:.1f} % of reference)"
            if series.quantity == "response" and one.expected
            else ""
        )
        z = f"<br>{values.number(one.z, 'standard deviations off', digits=2, sign=True)}" if one.z == one.z else ""
        shared = (
            f"<br>shared movement taken off: {values.number(one.shared_pct, '%', digits=2, sign=True)}"
            if one.shared_pct
            else ""
        )
        said.append(
            f"<b>{values.moment(one.check_at)}</b>"
            f"<br>{values.number(one.corrected, series.unit, digits=4)}{pct}{z}{shared}<br>{word}"
        )
    return said
