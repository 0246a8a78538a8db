"""What all figures share: quiet frame, mid-tone colours for both grounds, lines that stop at gaps.

The colour of text is the theme's.
"""

from __future__ import annotations

import textwrap
from datetime import timedelta
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

INK = "#7b858c"  # lines that carry no answer: reference, today, events
FAINT = "rgba(123,133,140,0.16)"
DOT = "#2f7f93"  # readings
DOT_SOFT = "rgba(47,127,147,0.45)"
LIMIT = "#b07a12"  # action level
BEYOND = "#c8502d"  # tolerance limit
BEYOND_SOFT = "rgba(200,80,45,0.07)"
FORECAST = "#7a6bb0"
FORECAST_SOFT = "rgba(122,107,176,0.20)"
MANY = 2000  # points above which the canvas renderer is used


def frame(figure: go.Figure, height: int, *, legend: bool = True, right: int = 12) -> go.Figure:
    """Give a figure the common frame; changes and returns it."""
    figure.update_layout(
        height=height,
        margin={"l": 8, "r": right, "t": 26, "b": 8},
        hovermode="closest",
        showlegend=legend,
        dragmode="zoom",
        legend={
            "orientation": "h",
            "y": -44 / max(height - 100, 60),
            "yanchor": "top",
            "x": 0,
            "font": {"size": 12},
            "itemsizing": "constant",
        },
        hoverlabel={"align": "left"},
        separators=". ",
    )
    figure.update_xaxes(showgrid=False, zeroline=False, ticks="outside", automargin=True)
    figure.update_yaxes(zeroline=False, automargin=True)
    return figure


def pieces(at: pd.Series, level: pd.Series | None = None) -> np.ndarray:
    """Number of the unbroken piece each point belongs to.

    at:    times in order. A piece ends where nothing was read for more than 3 times the median interval
           (and more than 14 days).
    level: a piece also ends where this changes by more than 2 % (a new reference).

    >>> pieces(pd.Series(pd.to_datetime(["2024-01-01", "2024-01-08", "2024-01-15", "2024-06-01"]))).tolist()
    [0, 0, 0, 1]
    """
    if len(at) < 2:
        return np.zeros(len(at), dtype=int)
    steps = np.diff(at.to_numpy())
    longest = max(np.timedelta64(timedelta(days=14)), 3 * np.median(steps))
    broken = steps > longest
    if level is not None:
        values = level.to_numpy(dtype=float)
        broken |= np.abs(np.diff(values)) > 0.02 * np.abs(values[:-1])
    return np.concatenate([[0], np.cumsum(broken)])


def broken_line(at: pd.Series, value: pd.Series, piece: np.ndarray) -> tuple[list[Any], list[float | None]]:
    """X and y of a line with a hole between pieces."""
    when, height = stamps(at), value.to_numpy(dtype=float)
    xs: list[Any] = []
    ys: list[float | None] = []
    for number in np.unique(piece):
        chosen = piece == number
        xs += [*when[chosen].tolist(), None]
        ys += [*height[chosen].tolist(), None]
    return xs, ys


def ribbon(at: pd.Series, low: pd.Series, high: pd.Series, piece: np.ndarray) -> tuple[list[Any], list[float | None]]:
    """X and y of closed outlines between two lines, one a piece, for ``fill="toself"``."""
    when, below, above = stamps(at), low.to_numpy(dtype=float), high.to_numpy(dtype=float)
    known = np.isfinite(below) & np.isfinite(above)
    xs: list[Any] = []
    ys: list[float | None] = []
    for number in np.unique(piece):
        chosen = (piece == number) & known
        if chosen.sum() > 1:
            there = when[chosen].tolist()
            xs += [*there, *there[::-1], there[0], None]
            ys += [*below[chosen].tolist(), *above[chosen].tolist()[::-1], float(below[chosen][0]), None]
    return xs, ys


def label(text: str, *, letters: int = 26, lines: int = 2) -> str:
    """A name from a record beside an axis: over two lines where it is long, cut where it is longer.

    Angle brackets are made text; plotly would read them as markup.

    >>> label("North Wing"), label("Centre for Minimally Invasive Surgery, Building West, Floor 4")
    ('North Wing', 'Centre for Minimally<br>Invasive Surgery, …')
    """
    parts = textwrap.wrap(text, letters, max_lines=lines, placeholder=" …") or [text]
    return "<br>".join(one.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;") for one in parts)


def stamps(at: pd.Series) -> np.ndarray:
    """Times as the text plotly reads fastest, to the second.

    >>> stamps(pd.Series(pd.to_datetime(["2024-01-01 08:00"]))).tolist()
    ['2024-01-01T08:00:00']
    """
    return at.to_numpy().astype("datetime64[s]").astype(str).astype(object)


def stamp(value: Any) -> Any:
    """A time as text; anything else as it is."""
    return value.isoformat() if hasattr(value, "isoformat") else value


def renderer(points: int) -> str:
    """SVG for few points, canvas above ``MANY``."""
    return "scattergl" if points > MANY else "scatter"
