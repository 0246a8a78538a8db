"""The readings of one series as marks: charted ones filled, set-aside ones hollow; error bars, limits, levels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from analytics.named_rows import named_rows
from analytics.results import Alert, SeriesResult
from dashboard.figures import ground
from dashboard.figures.sheet import Sheet
from dashboard.parts import values
from dashboard.parts.words import RULE

_LEVELS = ("limit_low", "limit_high", "expected")

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

    Above ten many fonts have no ring, and would show a box.

    >>> number_mark(1), number_mark(11)
    ('①', '(11)')
    """
    return chr(0x2460 + number - 1) if 1 <= number <= 10 else f"({number})"


def draw(
    sheet: Sheet, series: SeriesResult, points: pd.DataFrame, *, row: int = 1, legend: bool = False, levels: bool = True
) -> None:
    """Put a series into a row: limits, reference, thin line that stops at gaps, marks with error bars.

    points: rows of ``FleetAssessment.points`` of this series. levels: action level and tolerance limit as well.
    """
    charted = points[points["flag"].isin(["used", "reference"])]
    if len(charted):
        _ground(sheet, series, charted, row=row, legend=legend, levels=levels)
    low, high = span(series, points)
    sheet.y(row, range=[low, high])
    for flag, (word, symbol, filled) in FLAG.items():
        marks = points[points["flag"] == flag]
        if marks.empty:
            continue
        value = marks["corrected"].to_numpy(dtype=float)
        height = within(value, low, high)
        bars = {
            "type": "data",
            "symmetric": False,
            "array": np.where(height == value, marks["value_high"] - marks["value"], 0.0),
            "arrayminus": np.where(height == value, marks["value"] - marks["value_low"], 0.0),
            "thickness": 1,
            "width": 0,
            "color": ground.DOT_SOFT,
        }
        at = ground.stamps(marks["check_at"])
        edge = np.where(height > value, "triangle-down-open", np.where(height < value, "triangle-up-open", symbol))
        sheet.trace(
            row,
            type=ground.renderer(len(points)),
            x=at,
            y=height,
            mode="markers",
            name=word,
            legendgroup=flag,
            showlegend=legend,
            error_y=None if flag == "no_signal" else bars,
            customdata=at.reshape(-1, 1),
            hoverinfo="text",
            hovertext=_says(series, marks, word),
            marker={
                "symbol": symbol if (edge == symbol).all() else edge.tolist(),
                "size": 6 if filled else 10,
                "color": ground.DOT if filled else ground.BEYOND,
                "line": {"width": 0 if filled else 1.8},
            },
        )


def span(series: SeriesResult, points: pd.DataFrame) -> tuple[float, float]:
    """The heights a row shows: charted readings with their bars, chart limits, and for a response the tolerance limit.

    A reading that was set aside does not stretch the row; far off, it stands at the edge as a triangle.
    """
    charted = points[points["flag"].isin(["used", "reference"])]
    shown = charted if len(charted) else points
    moved = shown["corrected"] - shown["value"]
    ends = [shown["value_low"] + moved, shown["value_high"] + moved, *(shown[c] for c in _LEVELS)]
    if series.quantity == "response" and series.tolerance_pct is not None:
        ends += [shown["expected"] * (1 + side * series.tolerance_pct / 100) for side in (-1, 1)]
    heights = np.concatenate([one.to_numpy(dtype=float) for one in (*ends, shown["corrected"])])
    heights = heights[np.isfinite(heights)]
    if len(heights) == 0:
        return 0.0, 1.0
    room = 0.06 * (heights.max() - heights.min()) or 0.1 * abs(heights.max()) or 1.0
    return float(heights.min() - room), float(heights.max() + room)


def within(height: np.ndarray, low: float, high: float) -> np.ndarray:
    """Heights moved inside the row; a check without a value stands at its foot.

    >>> within(np.array([5.0, -9.0, np.nan]), 0.0, 10.0).tolist()
    [5.0, 0.5, 0.5]
    """
    edge = 0.05 * (high - low)
    return np.clip(np.where(np.isnan(height), low, height), low + edge, high - edge)


def draw_alerts(
    sheet: Sheet, series: SeriesResult, points: pd.DataFrame, alerts: Sequence[Alert], *, row: int = 1, first: int = 1
) -> None:
    """A numbered ring on the check that tipped each alert, and a tint from the estimated onset to it.

    points: all of the series, so that a ring finds its check. first: number of the first alert.
    """
    rings: dict[int, list[tuple[int, Alert]]] = {}  # place of the check -> the alerts it tipped
    low, high = span(series, points) if alerts else (0.0, 1.0)
    at = points["check_at"].to_numpy()
    for number, alert in enumerate(alerts, first):
        if alert.onset_estimate is not None and alert.onset_estimate < alert.signalled_at:
            sheet.band(alert.onset_estimate, alert.signalled_at, ground.LIMIT, row=row, opacity=0.07)
        place = int(np.searchsorted(at, np.datetime64(alert.signalled_at), side="right")) - 1
        if place >= 0:
            rings.setdefault(place, []).append((number, alert))
    for place, here in rings.items():
        height = float(within(points["corrected"].to_numpy(dtype=float)[place : place + 1], low, high)[0])
        place_pct = 100 * (height - low) / (high - low)
        beneath = place_pct > 80 or (here[0][1].direction == "low" and place_pct > 20)
        said = [f"{number_mark(number)} {RULE[alert.rule]}" for number, alert in here]
        sheet.trace(
            row,
            x=ground.stamps(points["check_at"].iloc[place : place + 1]),
            y=[height],
            mode="markers+text",
            text=["".join(number_mark(number) for number, _ in here)],
            showlegend=False,
            textfont={"size": 15, "color": ground.BEYOND},
            textposition="bottom center" if beneath else "top center",
            marker={"symbol": "circle-open", "size": 15, "color": ground.BEYOND, "line": {"width": 2}},
            hoverinfo="text",
            hovertext="<br>".join([f"signalled {values.moment(here[0][1].signalled_at)}", *said]),
        )


def _ground(sheet: Sheet, series: SeriesResult, charted: pd.DataFrame, *, row: int, legend: bool, levels: bool) -> None:
    at, expected = charted["check_at"], charted["expected"]
    piece = ground.pieces(at, expected)
    name: dict[str, Any] = {"legendgroup": "limits", "name": "chart limits (follow the counts)"} if legend else {}
    sheet.area(*ground.ribbon(at, charted["limit_low"], charted["limit_high"], piece), ground.FAINT, row=row, **name)
    name = {"legendgroup": "reference", "name": "reference"} if legend else {}
    sheet.line(*ground.broken_line(at, expected, piece), {"color": ground.INK, "width": 1.5}, row=row, **name)
    for pct, word, colour, dash in (
        (
            (series.action_pct, "action level", ground.LIMIT, "dot"),
            (series.tolerance_pct, "tolerance limit", ground.BEYOND, "dash"),
        )
        if levels
        else ()
    ):
        for side in (-1, 1) if pct is not None else ():
            name = (
                {"legendgroup": word, "name": f"{word} ±{pct:g} % (site choice)", "showlegend": side == -1}
                if legend
                else {}
            )
            level = expected * (1 + side * (pct or 0.0) / 100)
            sheet.line(
                *ground.broken_line(at, level, piece), {"color": colour, "width": 1.4, "dash": dash}, row=row, **name
            )
    sheet.line(*ground.broken_line(at, charted["corrected"], piece), {"color": ground.DOT_SOFT, "width": 1}, row=row)


def _says(series: SeriesResult, marks: pd.DataFrame, word: str) -> list[str]:
    said = []
    for one in named_rows(marks[["check_at", "corrected", "expected", "z", "shared_pct"]]):
        share = (
            f" ({100 * one.corrected / one.expected:.1f} % of reference)"
            if series.quantity == "response" and one.expected
            else ""
        )
        away = (
            f"<br>{values.tenths(one.z, 'standard deviations off')}"
            if math.isfinite(one.z)
            else ""
        )
        moved = (
            f"<br>shared movement taken off: {values.number(one.shared_pct, '%', digits=2, sign=True)}"
            if one.shared_pct
            else ""
        )
        head = f"<b>{values.moment(one.check_at)}</b><br>{values.number(one.corrected, series.unit, digits=4)}"
        said.append(f"{head}{share}{away}{moved}<br>{word}")
    return said
