"""The plan as a calendar: one lane a site for its visits, one for each probe that needs more; marks where planned."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import plotly.graph_objects as go

from analytics.advice.plan_result import Plan, TaskKind, Visit
from analytics.results import Crossing
from dashboard.figures import ground
from dashboard.parts.words import PROBE


@dataclass(frozen=True)
class TaskLook:
    """How one kind of task is said and drawn."""

    word: str
    mark: str
    symbol: str
    colour: str
    size: int


TASKS: dict[TaskKind, TaskLook] = {
    "check": TaskLook("check on the source", "│", "line-ns-open", ground.DOT, 13),
    "window_check": TaskLook("window check", "□", "square-open", ground.FORECAST, 10),
    "service": TaskLook("service", PROBE["service"].mark, PROBE["service"].symbol, PROBE["service"].colour, 13),
    "replace": TaskLook("replace", PROBE["retire"].mark, PROBE["retire"].symbol, PROBE["retire"].colour, 12),
}
ROUTINE = "visits"
SOURCE_MARK = "◉"
_ROW_PX = 26
_MOST = 250  # lanes that can be read at all, with a lane for every probe
_FEW = 60  # lanes above which only sites are drawn, each with the number of probes in a visit


@dataclass(frozen=True)
class Lane:
    """One row of the calendar: a probe, or (``probe`` None) a site's visits."""

    site: str
    probe: str | None

    @property
    def label(self) -> str:
        """What stands at its left."""
        return self.probe or f"{self.site}: {ROUTINE}"


def lanes(plan: Plan, *, every_probe: bool = False) -> tuple[Lane, ...]:
    """Rows from top to bottom: per site its visits, then the probes with a service, a replacement or a loan.

    every_probe: a lane for each planned probe instead.
    """
    special: dict[str, set[str]] = {}
    for visit in plan.visits:
        special.setdefault(visit.site, set()).update(
            task.probe for task in visit.probes if every_probe or task.kind in ("service", "replace")
        )
    for short in plan.uncovered:
        special.setdefault(short.site, set())
    for loan in plan.loans:
        special.setdefault(loan.from_site, set()).add(loan.probe)
    rows: list[Lane] = []
    for site in sorted(special):
        rows.append(Lane(site, None))
        rows += [Lane(site, probe) for probe in sorted(special[site])]
    most = _MOST if every_probe else _FEW
    return tuple(rows) if len(rows) <= most else tuple(row for row in rows if row.probe is None)


def plan_calendar(plan: Plan, crossings: dict[str, Crossing], today: date, *, every_probe: bool = False) -> go.Figure:
    """The calendar. ``customdata`` of a mark is [site, probe or "", kind].

    crossings: by probe, drawn as a bar from the 5 % to the 95 % date in its lane, with a tick at the median.
    """
    rows = lanes(plan, every_probe=every_probe)
    at = {(row.site, row.probe): n for n, row in enumerate(rows)}
    figure = go.Figure()
    _cover(figure, plan, at)
    _forecasts(figure, plan, crossings, at)
    _loans(figure, plan, at)
    _due_dates(figure, plan, at)
    _routine(figure, plan, at)
    for kind, look in TASKS.items():
        _marks(figure, plan, at, kind, look)
    ground.frame(figure, 64 + _ROW_PX * max(len(rows), 1), legend=False)
    first = plan.from_on - timedelta(days=2)
    figure.update_xaxes(
        range=[first.isoformat(), (plan.to_on + timedelta(days=2)).isoformat()],
        type="date",
        showgrid=True,
        gridcolor=ground.FAINT,
        side="top",
        tickformat="%-d %b",
        minor={"dtick": 7 * 86400000, "showgrid": False},
    )
    figure.update_yaxes(
        tickvals=list(range(len(rows))),
        range=[len(rows) - 0.4, -0.6],
        ticks="",
        showgrid=False,
        ticktext=[
            f"<b>{ground.label(row.site)}</b>" if row.probe is None else ground.label(row.probe, lines=1)
            for row in rows
        ],
    )
    between = [_across(n - 0.5) for n, row in enumerate(rows) if row.probe is None and n]
    figure.update_layout(shapes=[*figure.layout.shapes, *between])  # at once: one by one takes seconds where sites are many
    if plan.from_on <= today <= plan.to_on:
        figure.add_vline(x=today.isoformat(), line={"color": ground.INK, "width": 1, "dash": "dot"})
    figure.update_layout(margin={"t": 40})
    return figure


def _across(at: float) -> dict[str, Any]:
    """A line across the whole picture."""
    line = {"color": ground.FAINT, "width": 1}
    return {"type": "line", "xref": "x domain", "x0": 0, "x1": 1, "yref": "y", "y0": at, "y1": at, "line": line}


def _plain(text: str) -> str:
    """Text from a record for a Plotly label, where angle brackets would be read as markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _lane(at: dict[tuple[str, str | None], int], site: str, probe: str) -> int | None:
    return at.get((site, probe))


def _marks(
    figure: go.Figure,
    plan: Plan,
    at: dict[tuple[str, str | None], int],
    kind: TaskKind,
    look: TaskLook,
) -> None:
    found = [
        (visit, task, lane)
        for visit in plan.visits
        for task in visit.probes
        if task.kind == kind and (lane := _lane(at, visit.site, task.probe)) is not None
    ]
    if not found:
        return
    line = {"width": 2, "color": look.colour}
    figure.add_trace(
        go.Scatter(
            x=[visit.on for visit, _, _ in found],
            y=[lane for _, _, lane in found],
            mode="markers",
            name=f"{look.word}",
            marker={"symbol": look.symbol, "size": look.size, "color": look.colour, "line": line},
            customdata=[[visit.site, task.probe, kind] for visit, task, _ in found],
            text=[f"<b>{_plain(task.probe)}</b> {look.word}<br>{_wrapped(task.why)}" for _, task, _ in found],
            hovertemplate="%{x|%a %-d %b %Y}<br>%{text}<extra></extra>",
        )
    )


def _routine(figure: go.Figure, plan: Plan, at: dict[tuple[str, str | None], int]) -> None:
    """One mark a visit in the site's lane, with the number of probes that have no lane of their own in it."""
    found: list[tuple[Visit, int, int]] = []
    for visit in plan.visits:
        lane = at.get((visit.site, None))
        probes = {task.probe for task in visit.probes}
        if lane is not None:
            found.append((visit, lane, len(probes)))
    if not found:
        return
    figure.add_trace(
        go.Scatter(
            x=[visit.on for visit, _, _ in found],
            y=[lane for _, lane, _ in found],
            mode="markers+text",
            name="visit, with its number of probes",
            text=[str(many) if many else SOURCE_MARK for _, _, many in found],
            textposition="middle center",
            textfont={"size": 10},
            marker={"symbol": "circle-open", "size": 19, "color": ground.INK, "line": {"width": 1.2}},
            customdata=[[visit.site, "", ROUTINE] for visit, _, _ in found],
            hovertext=[_content(visit) for visit, _, _ in found],
            hovertemplate="%{x|%a %-d %b %Y}<br>%{hovertext}<extra></extra>",
        )
    )


def _content(visit: Visit) -> str:
    many = {kind: sum(task.kind == kind for task in visit.probes) for kind in TASKS}
    return f"<b>{_plain(visit.site)}</b><br>" + "<br>".join(
        [f"{n} × {TASKS[kind].word}" for kind, n in many.items() if n]
        + [f"replace source {_plain(source)}" for source in visit.sources]
    )


def _due_dates(figure: go.Figure, plan: Plan, at: dict[tuple[str, str | None], int]) -> None:
    """Under a site's visits, the days on which somebody would come if each probe had its own due date."""
    days = plan.due_dates.days if plan.due_dates is not None else ()
    found = [(day, at[site, None]) for site, day in days if (site, None) in at]
    if found:
        figure.add_trace(
            go.Scatter(
                x=[day for day, _ in found],
                y=[lane + 0.42 for _, lane in found],
                mode="markers",
                name="visit, if each came on its own due date",
                marker={"symbol": "triangle-up", "size": 6, "color": ground.INK},
                hovertemplate="%{x|%a %-d %b %Y}<br>a visit, if each came on its own due date<extra></extra>",
            )
        )


def _loans(figure: go.Figure, plan: Plan, at: dict[tuple[str, str | None], int]) -> None:
    """A proposed loan as a bar in its probe's lane."""
    for one in plan.loans:
        lane = at.get((one.from_site, one.probe))
        if lane is None:
            continue
        said = f"<b>{_plain(one.probe)}</b> to {_plain(one.to_site)}<br>{_wrapped(one.why)}"
        figure.add_trace(
            go.Scatter(
                x=[one.from_on, one.to_on],
                y=[lane, lane],
                mode="lines+markers",
                name="proposed loan",
                line={"width": 3, "color": ground.DOT},
                marker={"symbol": "circle", "size": 6, "color": ground.DOT},
                text=[said, said],
                hovertemplate="%{text}<extra></extra>",
            )
        )


def _forecasts(
    figure: go.Figure,
    plan: Plan,
    crossings: dict[str, Crossing],
    at: dict[tuple[str, str | None], int],
) -> None:
    shown: dict[str, Any] = {"x": [], "y": [], "text": []}
    ticks: dict[str, Any] = {"x": [], "y": []}
    for (_, probe), lane in at.items():
        crossing = crossings.get(probe) if probe is not None else None
        if crossing is None or crossing.p05 is None or crossing.p05 > plan.to_on:
            continue
        end = min(crossing.p95 or plan.to_on, plan.to_on)
        said = f"forecast to pass {crossing.limit_pct:g} % of the reference: {crossing.p05} to {crossing.p95 or 'open'}"
        shown["x"] += [max(crossing.p05, plan.from_on), end, None]
        shown["y"] += [lane, lane, None]
        shown["text"] += [said, said, None]
        if crossing.p50 is not None and plan.from_on <= crossing.p50 <= plan.to_on:
            ticks["x"].append(crossing.p50)
            ticks["y"].append(lane)
    if shown["x"]:
        figure.add_trace(
            go.Scatter(
                **shown,
                mode="lines",
                name="forecast crossing, 90 % range",
                line={"width": 12, "color": ground.FORECAST_SOFT},
                hovertemplate="%{text}<extra></extra>",
            )
        )
    if ticks["x"]:
        figure.add_trace(
            go.Scatter(
                **ticks,
                mode="markers",
                name="its median",
                hovertemplate="median %{x|%-d %b %Y}<extra></extra>",
                marker={
                    "symbol": "line-ns-open",
                    "size": 16,
                    "color": ground.FORECAST,
                    "line": {"width": 3, "color": ground.FORECAST},
                },
            )
        )


def _cover(figure: go.Figure, plan: Plan, at: dict[tuple[str, str | None], int]) -> None:
    """A band over a site's lane while its cover is not kept."""
    bands = [
        {
            "type": "rect",
            "x0": one.on,
            "x1": (one.until or one.on) + timedelta(days=1),
            "y0": lane - 0.5,
            "y1": lane + 0.5,
            "layer": "below",
            "line": {"width": 0},
            "fillcolor": "rgba(200,80,45,0.16)",
        }
        for one in plan.uncovered
        if (lane := at.get((one.site, None))) is not None
    ]
    figure.update_layout(shapes=[*figure.layout.shapes, *bands])


def _wrapped(text: str, width: int = 64) -> str:
    from textwrap import wrap

    return "<br>".join(wrap(_plain(text), width))
