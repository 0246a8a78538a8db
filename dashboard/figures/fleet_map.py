"""The whole fleet in one picture: across, where a probe stands; down, where it goes; slanted, how long that leaves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analytics.results import ProbeResult, SeriesResult
from analytics.settings import Limits
from dashboard.figures import ground
from dashboard.parts import values
from dashboard.parts.words import CAUSE, PROBE, PROBE_ORDER

EDGE_PCT = 25.0  # marks farther from 100 % stand at the edge, and say so
EDGE_PER_YEAR = 25.0
NAMED = 14  # so many marks carry their name


def fleet_map(probes: Sequence[ProbeResult], headline: Mapping[str, SeriesResult], limits: Limits) -> go.Figure:
    """One mark a probe at (response now in % of its reference, drift in % a year).

    probes:   those to draw; a probe with no current response is left out (the page lists it).
    headline: the response series that speaks for a probe.
    limits:   for the bands of action and tolerance.

    A probe with a response and no slope yet stands in the strip under the map.
    ``customdata[0]`` of a mark is the probe's id.
    """
    drawn = [
        (p, headline[p.probe]) for p in probes if p.probe in headline and headline[p.probe].current_pct is not None
    ]
    loose = [one for one in drawn if one[1].drift_pct_per_year is None]
    rows = 2 if loose else 1
    figure = make_subplots(rows=rows, cols=1, shared_xaxes=True, row_heights=[0.88, 0.12][:rows], vertical_spacing=0.03)
    named = _worth_naming(drawn)
    for advice in reversed(PROBE_ORDER):
        status = PROBE[advice]
        for row, chosen in ((1, [o for o in drawn if o not in loose]), (2, loose)):
            marks = [(p, s) for p, s in chosen if p.advice == advice]
            if not marks:
                continue
            xs = [_clip(s.current_pct or 0.0, 100.0, EDGE_PCT) for _, s in marks]
            ys = [_clip(s.drift_pct_per_year or 0.0, 0.0, EDGE_PER_YEAR) for _, s in marks]
            figure.add_trace(
                ground.scatter(
                    len(marks),
                    x=xs,
                    y=ys if row == 1 else [0] * len(marks),
                    mode="markers+text",
                    name=status.word,
                    marker={
                        "symbol": status.symbol,
                        "color": status.colour,
                        "size": 9 if advice == "use" else 12,
                        "opacity": 0.65 if advice == "use" else 1.0,
                        "line": {"width": 2 if "open" in status.symbol else 0},
                    },
                    text=[p.probe if p.probe in named else "" for p, _ in marks],
                    textposition="top center",
                    textfont={"size": 11},
                    error_x=_whisker(
                        [s.current_pct for _, s in marks], [_in_pct(s, s.current_interval) for _, s in marks], advice
                    ),
                    error_y=_whisker(ys, [_in_pct(s, s.drift_interval) for _, s in marks], advice)
                    if row == 1
                    else None,
                    customdata=[[p.probe] for p, _ in marks],
                    hovertext=[_says(p, s) for p, s in marks],
                    hoverinfo="text",
                    legendgroup=advice,
                    showlegend=row == 1 or not any(p.advice == advice for p, _ in drawn if (p, _) not in loose),
                ),
                row=row,
                col=1,
            )
    _ground_lines(figure, limits, [s for _, s in drawn], rows)
    ground.frame(figure, 560)
    figure.update_layout(clickmode="event+select", legend={"y": -0.19})
    figure.update_xaxes(title_text="Response now, % of its reference", row=rows, col=1)
    figure.update_yaxes(title_text="Drift, % a year", row=1, col=1)
    if loose:
        figure.update_yaxes(
            showticklabels=False,
            showgrid=False,
            range=[-1, 1],
            title_text="no trend<br>yet",
            title_font_size=11,
            row=2,
            col=1,
        )
    return figure


def _ground_lines(figure: go.Figure, limits: Limits, series: list[SeriesResult], rows: int) -> None:
    far = max([limits.tolerance_pct + 4, *(min(abs((s.current_pct or 100) - 100) + 2, EDGE_PCT + 2) for s in series)])
    steep = max([8.0, *(min(abs(s.drift_pct_per_year or 0.0) + 2, EDGE_PER_YEAR + 2) for s in series)])
    figure.update_xaxes(range=[100 - far, 100 + far])
    figure.update_yaxes(range=[-steep, steep], row=1, col=1)
    for row in range(1, rows + 1):
        figure.add_vrect(
            x0=100 - limits.action_level_pct,
            x1=100 + limits.action_level_pct,
            fillcolor=ground.FAINT,
            line_width=0,
            layer="below",
            row=row,
            col=1,
        )
        for side in (-1, 1):
            figure.add_vline(
                x=100 + side * limits.tolerance_pct,
                line={"color": ground.BEYOND, "width": 1.4, "dash": "dash"},
                row=row,
                col=1,
            )
    for side, word in ((-1, "tolerance"), (1, "tolerance")):
        figure.add_annotation(
            x=100 + side * limits.tolerance_pct,
            y=1,
            yref="y domain",
            text=f"{word} {100 + side * limits.tolerance_pct:g} %",
            showarrow=False,
            yanchor="bottom",
            font={"size": 11},
            row=1,
            col=1,
        )
    figure.add_annotation(
        x=100,
        y=1,
        yref="y domain",
        text=f"within action level ±{limits.action_level_pct:g} %",
        showarrow=False,
        yanchor="bottom",
        font={"size": 11},
        row=1,
        col=1,
    )
    figure.add_hline(y=0, line={"color": ground.INK, "width": 1}, row=1, col=1)
    for side in (-1, 1):
        _time_left(figure, 100 + side * limits.tolerance_pct, side, far, steep)


def _time_left(figure: go.Figure, limit: float, side: int, far: float, steep: float) -> None:
    """Lines on which the limit is a year and three months away at the present drift; the nearer side is tinted."""
    figure.add_trace(
        go.Scatter(
            x=[limit, limit - side * steep, limit + side * 2 * far, limit + side * 2 * far, limit],
            y=[0, side * steep, side * steep, 0, 0],
            mode="lines",
            line={"width": 0},
            fill="toself",
            fillcolor=ground.BEYOND_SOFT,
            hoverinfo="skip",
            showlegend=False,
        ),
        row=1,
        col=1,
    )
    for years, text in ((1.0, "1 year away"), (0.25, "3 months")):
        figure.add_trace(
            go.Scatter(
                x=[limit, limit - side * steep * years],
                y=[0, side * steep],
                mode="lines",
                line={"color": ground.BEYOND, "width": 1, "dash": "dot"},
                showlegend=False,
                hoverinfo="text",
                hovertext=f"on this line the tolerance limit is {text}, if the drift goes on",
            ),
            row=1,
            col=1,
        )
        height = 0.93 * steep
        if side > 0:
            continue  # the lower limit is the one that matters most: its lines carry the words
        figure.add_annotation(
            x=limit - side * height * years,
            y=side * height,
            text=text,
            showarrow=False,
            xanchor="left",
            xshift=6,
            font={"size": 11},
            row=1,
            col=1,
        )


def _worth_naming(drawn: list[tuple[ProbeResult, SeriesResult]]) -> set[str]:
    rank = {advice: i for i, advice in enumerate(PROBE_ORDER)}
    troubled = [(rank[p.advice], -abs((s.current_pct or 100) - 100), p.probe) for p, s in drawn if p.advice != "use"]
    return {name for _, _, name in sorted(troubled)[:NAMED]}


def _clip(value: float, centre: float, reach: float) -> float:
    return min(max(value, centre - reach), centre + reach)


def _in_pct(series: SeriesResult, bounds: tuple[float, float] | None) -> tuple[float, float] | None:
    if bounds is None or series.reference is None or not series.reference.value:
        return None
    return 100 * bounds[0] / series.reference.value, 100 * bounds[1] / series.reference.value


def _whisker(
    centres: Sequence[float | None], bounds: list[tuple[float, float] | None], advice: str
) -> dict[str, object] | None:
    if advice == "use":
        return None
    up = [b[1] - c if b and c is not None else 0.0 for c, b in zip(centres, bounds, strict=True)]
    down = [c - b[0] if b and c is not None else 0.0 for c, b in zip(centres, bounds, strict=True)]
    return {
        "type": "data",
        "symmetric": False,
        "array": up,
        "arrayminus": down,
        "thickness": 1,
        "width": 0,
        "color": PROBE[advice].colour,
    }  # type: ignore[index]


def _says(probe: ProbeResult, series: SeriesResult) -> str:
    drift = (
        "no trend yet"
        if series.drift_pct_per_year is None
        else f"{values.number(series.drift_pct_per_year, '% a year', digits=2, sign=True)}"
    )
    due = (
        f"<br>reaches {series.crossing.limit_pct:g} % about {values.day(series.crossing.p50)}"
        if series.crossing and series.crossing.p50
        else ""
    )
    why = f"<br>{CAUSE[probe.cause]}" if probe.cause != "none" else ""
    head = f"<b>{probe.probe}</b>, {probe.site}: {PROBE[probe.advice].word}"
    return f"{head}<br>{values.number(series.current_pct, '% of reference', digits=4)}, {drift}{due}{why}"
