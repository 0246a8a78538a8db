"""A look back: the likely response since the last good check, with its interval, the checks, and the uses as marks."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from analytics.advice.look_back import Doubt, Moment
from dashboard.figures import ground
from dashboard.figures.readings import FLAG, within
from dashboard.figures.sheet import Sheet
from dashboard.parts import values


def look_back_figure(doubt: Doubt, points: pd.DataFrame, until: datetime) -> go.Figure:
    """The figure.

    points: rows of ``FleetAssessment.points`` of the doubt's series. until: the moment of the answer.
    """
    end = doubt.ended_at or until
    begin = doubt.last_good.at if doubt.last_good else (doubt.likely[0].at if doubt.likely else doubt.first_out.at)
    margin = max((end - begin) * 0.12, timedelta(days=3))
    sheet = Sheet([300, 44], top=46, legend=64)
    sheet.band(begin, end, ground.LIMIT, row=1, opacity=0.07)
    told = doubt.likely
    if told:
        at = [one.at.isoformat() for one in told]
        sheet.area(
            [*at, *at[::-1]],
            [*(one.high_pct for one in told), *(one.low_pct for one in reversed(told))],
            ground.FORECAST_SOFT,
            name="likely response, 90 %",
        )
        sheet.line(at, [one.pct for one in told], {"color": ground.FORECAST, "width": 2}, name="its median")
    shown = points[(points["check_at"] >= begin - margin) & (points["check_at"] <= end + margin)]
    low, high = _span(doubt, shown)
    _checks(sheet, shown, low, high)
    tolerance = doubt.series.tolerance_pct or 0.0
    for side in (-1, 1):
        sheet.across(100 + side * tolerance, {"color": ground.BEYOND, "width": 1.4, "dash": "dash"})
    sheet.across(100, {"color": ground.INK, "width": 1})
    marks = [("found", doubt.found_at, "left"), ("over", doubt.ended_at, "right")]
    marks += [("last good check", doubt.last_good.at, "right")] if doubt.last_good else []
    for words, when, side_of in marks:
        if when is not None:
            sheet.down(when, {"color": ground.INK, "width": 1, "dash": "dot"})
            sheet.note(words, when, 1, yref="paper", yanchor="bottom", xanchor=side_of)
    _uses(sheet, doubt)
    sheet.y(title={"text": "% of reference"}, range=[low, high])
    sheet.y(2, showticklabels=False, showgrid=False, ticks="", range=[-1, 1])
    sheet.title(f"{values.count(len(doubt.uses), 'use')} in doubt", row=2)
    sheet.x(range=[(begin - margin).isoformat(), (end + margin * 0.3).isoformat()])
    return sheet.figure()


def _span(doubt: Doubt, points: pd.DataFrame) -> tuple[float, float]:
    """The heights shown, %: limits, likely response and charted checks; one that was set aside stands at the edge if far off."""
    tolerance = doubt.series.tolerance_pct or 0.0
    charted = points[points["flag"].isin(["used", "reference"])]
    every = [100 - tolerance, 100 + tolerance, *(one.low_pct for one in doubt.likely), *(one.high_pct for one in doubt.likely)]
    every += (100 * charted["corrected"] / charted["expected"]).dropna().tolist()
    room = 0.06 * (max(every) - min(every)) or 1.0
    return min(every) - room, max(every) + room


def _checks(sheet: Sheet, points: pd.DataFrame, low: float, high: float) -> None:
    pct = 100 * points["corrected"] / points["expected"]
    for flag, (word, symbol, filled) in FLAG.items():
        mine = (points["flag"] == flag) & pct.notna()
        if mine.any():
            exact = pct[mine].to_numpy(dtype=float)
            shown = within(exact, low, high)
            edge = np.where(shown > exact, "triangle-down-open", np.where(shown < exact, "triangle-up-open", symbol))
            sheet.trace(
                x=ground.stamps(points.loc[mine, "check_at"]),
                y=shown,
                mode="markers",
                name=word,
                customdata=exact.reshape(-1, 1),
                hovertemplate="%{x|%-d %b %Y %H:%M}<br>%{customdata[0]:.1f} % of reference<extra></extra>",
                marker={
                    "symbol": symbol if (edge == symbol).all() else edge.tolist(),
                    "size": 7 if filled else 10,
                    "color": ground.DOT if filled else ground.BEYOND,
                    "line": {"width": 0 if filled else 1.8},
                },
            )


def _uses(sheet: Sheet, doubt: Doubt) -> None:
    for after, colour, word in ((False, ground.INK, "use before it was found"), (True, ground.BEYOND, "use after it was found")):
        mine = [one for one in doubt.uses if one.after_found == after]
        if mine:
            sheet.trace(
                2,
                x=[one.used_at.isoformat() for one in mine],
                y=[0.0] * len(mine),
                mode="markers",
                name=word,
                hoverinfo="text",
                hovertext=[f"used {values.moment(one.used_at)}<br>{likely_words(one.likely)}" for one in mine],
                marker={"symbol": "line-ns-open", "size": 15, "color": colour, "line": {"width": 2}},
            )


def likely_words(one: Moment | None) -> str:
    """The likely response at a moment in words."""
    if one is None:
        return "the checks do not tell the response"
    bounds = values.interval((one.low_pct, one.high_pct), "%", digits=3)
    return f"likely {values.number(one.pct, '% of reference', digits=3)} (90 %: {bounds})"
