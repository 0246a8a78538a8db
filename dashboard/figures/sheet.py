"""A figure of rows under one another on a single x axis, gathered as plain parts and handed to plotly in one go.

Plotly checks each part as it is added, which takes half a second for a story of thirty traces. As a whole they are checked
in a tenth of that, and only while the tests run, which draw every figure.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.ground import stamp

LONG = 100  # values
# Whether plotly looks at every value: set by the tests, which draw all figures there are. It takes 12 ms for a large fleet.
CHECKED = bool(os.environ.get("STEADYCOUNT_CHECK_FIGURES"))
FOOT = 46  # pixels for the labels of the x axis


class Sheet:
    """Rows from top to bottom, numbered from 1.

    heights: pixels of each row.
    gap:     pixels between rows, room for a row's title.
    top, right: margins in pixels. legend: pixels kept under the axis for it; 0: no legend.
    """

    def __init__(
        self, heights: Sequence[int], *, gap: int = 34, top: int = 30, right: int = 10, legend: int = 40
    ) -> None:
        self._total = sum(heights) + gap * (len(heights) - 1)
        self._traces: list[dict[str, Any]] = []
        self._shapes: list[dict[str, Any]] = []
        self._notes: list[dict[str, Any]] = []
        self._layout: dict[str, Any] = {
            "height": self._total + top + FOOT + legend,
            "margin": {"l": 8, "r": right, "t": top, "b": FOOT + legend},
            "hovermode": "closest",
            "hoverdistance": 12,
            "dragmode": "zoom",
            "showlegend": legend > 0,
            "separators": ". ",
            "legend": {
                "orientation": "h",
                "x": 0,
                "y": -FOOT / self._total,
                "yanchor": "top",
                "font": {"size": 12},
                "itemsizing": "constant",
                "traceorder": "normal",
            },
            "xaxis": {
                "anchor": f"y{len(heights)}" if len(heights) > 1 else "y",
                "showgrid": False,
                "zeroline": False,
                "ticks": "outside",
                "automargin": True,
            },
        }
        end = self._total
        for row, height in enumerate(heights, 1):
            self._layout[_axis(row)] = {
                "domain": [(end - height) / self._total, end / self._total],
                "anchor": "x",
                "zeroline": False,
                "automargin": True,
            }
            end -= height + gap

    def trace(self, row: int = 1, **parts: Any) -> None:
        """Add a trace; a scatter unless ``type`` says otherwise. Parts that are None are left out."""
        given = {key: _packed(value) for key, value in parts.items() if value is not None}
        self._traces.append({"type": "scatter", **given, "xaxis": "x", "yaxis": _y(row)})

    def line(self, xs: Sequence[Any], ys: Sequence[Any], line: dict[str, Any], *, row: int = 1, **parts: Any) -> None:
        """A line that answers to no pointer; in the legend only with ``name``."""
        self.trace(
            row, x=xs, y=ys, mode="lines", line=line, **{"hoverinfo": "skip", "showlegend": "name" in parts, **parts}
        )

    def area(self, xs: Sequence[Any], ys: Sequence[Any], colour: str, *, row: int = 1, **parts: Any) -> None:
        """Closed outlines, filled."""
        self.line(xs, ys, {"width": 0}, row=row, fill="toself", fillcolor=colour, **parts)

    def across(self, y: float, line: dict[str, Any], *, row: int = 1) -> None:
        """A level from edge to edge of a row."""
        self._shapes.append(
            {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "yref": _y(row), "line": line}
        )

    def down(self, x: Any, line: dict[str, Any], *, row: int | None = None) -> None:
        """An upright line through one row, or through all (None)."""
        self._shapes.append(
            {
                "type": "line",
                "x0": stamp(x),
                "x1": stamp(x),
                "xref": "x",
                "y0": 0,
                "y1": 1,
                "yref": _whole(row),
                "line": line,
            }
        )

    def band(self, x0: Any, x1: Any, colour: str, *, row: int | None = None, opacity: float = 1.0) -> None:
        """A tint between two places of the x axis, behind the data."""
        self._shapes.append(
            {
                "type": "rect",
                "x0": stamp(x0),
                "x1": stamp(x1),
                "xref": "x",
                "y0": 0,
                "y1": 1,
                "yref": _whole(row),
                "fillcolor": colour,
                "opacity": opacity,
                "line": {"width": 0},
                "layer": "below",
            }
        )

    def note(self, text: str, x: Any, y: Any, *, row: int | None = None, **parts: Any) -> None:
        """Text at a place of a row's axes; with ``row`` None, y counts from 0 to 1 over the whole figure."""
        self._notes.append(
            {
                "text": text,
                "x": stamp(x),
                "y": y,
                "xref": "x",
                "yref": "paper" if row is None else _y(row),
                "showarrow": False,
                "font": {"size": 11},
                **parts,
            }
        )

    def title(self, text: str, *, row: int = 1) -> None:
        """A row's title, over its left edge."""
        self.note(
            text, 0, 1, row=row, xref="paper", yref=_whole(row), xanchor="left", yanchor="bottom", font={"size": 12}
        )

    def x(self, **parts: Any) -> None:
        """Settings of the x axis."""
        self._layout["xaxis"].update(parts)

    def y(self, row: int = 1, **parts: Any) -> None:
        """Settings of a row's y axis."""
        self._layout[_axis(row)].update(parts)

    def layout(self, **parts: Any) -> None:
        """Further settings of the layout."""
        self._layout.update(parts)

    def figure(self) -> go.Figure:
        """The figure, all parts at once."""
        return figure_of(
            {"data": self._traces, "layout": {**self._layout, "shapes": self._shapes, "annotations": self._notes}}
        )


def figure_of(parts: dict[str, Any]) -> go.Figure:
    """A figure of plain parts (``data``, ``layout``)."""
    return go.Figure(parts, _validate=CHECKED)


def _packed(value: Any) -> Any:
    """A long list as an array, which plotly takes as it is; a list it copies and checks value by value."""
    if not isinstance(value, list) or len(value) < LONG:
        return value
    if all(isinstance(one, float) for one in value):
        return np.array(value)
    rows = isinstance(value[0], list)
    made = np.empty((len(value), len(value[0])) if rows else len(value), dtype=object)
    made[:] = value
    return made


def _axis(row: int) -> str:
    return "yaxis" if row == 1 else f"yaxis{row}"


def _y(row: int) -> str:
    return "y" if row == 1 else f"y{row}"


def _whole(row: int | None) -> str:
    return "paper" if row is None else f"{_y(row)} domain"
