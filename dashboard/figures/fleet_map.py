"""The whole fleet in one picture: across, where a probe stands; down, where it goes; slanted, how long that leaves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from analytics.results import ProbeAdvice, ProbeResult, SeriesResult
from analytics.settings import Limits
from dashboard.figures import ground
from dashboard.figures.sheet import Sheet
from dashboard.parts import values
from dashboard.parts.by_each import ByEach
from dashboard.parts.direction import goes, stepped
from dashboard.parts.words import CAUSE, PROBE, PROBE_ORDER

ROOM_PCT = 4.0  # beyond the tolerance limit; marks farther out stand at the edge, and their text says where they are
EDGE_PER_YEAR = 12.0
TIME_LEFT = ((1.0, "1 year away"), (0.25, "3 months"))  # until the limit, on its two lines
VAGUE_PER_YEAR = 3.0  # drift, % of the reference, from which a mark stands apart from the sound ones
NAMED = 14  # so many marks carry their name
CROWD = 200  # marks above which only named ones carry whiskers, and names keep apart
LETTER_PCT, LINE_PER_YEAR = 0.42, 1.3  # room of a letter and of a line of a name, on the axes of the picture
DOT = (0.3, 0.35)  # half the room of a mark, on the same axes
APART = (9.0, 1.2)  # of names in a crowd: per cent of the reference, per cent a year

Mark = tuple[ProbeResult, SeriesResult]
Box = tuple[float, float, float, float]  # left, right, low, high, on the axes of the picture


@dataclass(frozen=True)
class Edge:
    """How far from the middle the picture reaches: per cent of the reference, per cent a year."""

    pct: float
    per_year: float

    def beyond(self, series: SeriesResult) -> bool:
        """Whether a mark had to be moved to the edge."""
        return abs(_now(series) - 100) > self.pct or abs(_drift(series)) > self.per_year


def fleet_map(probes: Sequence[ProbeResult], headline: Mapping[str, SeriesResult], limits: Limits) -> go.Figure:
    """One mark a probe at (response now in % of its reference, drift in % a year).

    probes:   those to draw; a probe with no current response is left out (the page lists it).
    headline: the response series that speaks for a probe.
    limits:   for the bands of action and tolerance.

    A probe with a response and no slope yet stands in the strip under the map, and so does one that stepped: it does not go on.
    ``customdata[0]`` of a mark is the probe's id.
    """
    drawn = [
        (p, headline[p.probe]) for p in probes if p.probe in headline and headline[p.probe].current_pct is not None
    ]
    moving = [one for one in drawn if goes(*one)]
    loose = [one for one in drawn if not goes(*one)]
    far = limits.tolerance_pct + ROOM_PCT
    edge = Edge(far, min(EDGE_PER_YEAR, max([6.0, *(abs(_drift(s)) for _, s in moving)])))
    sheet = Sheet([400, 44] if loose else [420], gap=10, top=34, legend=44)
    words = _said_on_the_lines(moving, limits, edge)
    _levels(sheet, limits, far + 1.5, edge.per_year + 1.5, words)
    crowded = len(drawn) > CROWD
    named = _placed(_worth_naming(drawn, limits, edge if crowded else None), drawn, edge, crowded=crowded, words=words)
    says = dict(zip((p.probe for p, _ in drawn), _SAID(drawn), strict=True))
    for advice in reversed(PROBE_ORDER):
        for row, marks in ((1, moving), (2, loose)):
            mine = [one for one in marks if one[0].advice == advice]
            if mine:
                _marks(
                    sheet,
                    advice,
                    mine,
                    named,
                    says,
                    edge,
                    crowded=crowded,
                    row=row,
                    legend=row == 1 or not any(p.advice == advice for p, _ in moving),
                )
    sheet.x(range=[100 - far - 1.5, 100 + far + 1.5], title={"text": "Response now, % of its reference", "standoff": 6})
    sheet.y(range=[-edge.per_year - 1.5, edge.per_year + 1.5], title={"text": "Drift, % a year"})
    if loose:
        sheet.y(
            2,
            showticklabels=False,
            showgrid=False,
            range=[-1, 1],
            ticks="",
            title={"text": "no trend<br>told", "font": {"size": 11}},
        )
    sheet.layout(clickmode="event+select")
    return sheet.figure()


def _marks(
    sheet: Sheet, advice: ProbeAdvice, marks: list[Mark], named: Mapping[str, str], says: Mapping[str, str], edge: Edge, *,
    crowded: bool, row: int, legend: bool,
) -> None:
    status = PROBE[advice]
    fit = advice == "use"
    told = [(not crowded or one[0].probe in named, one) for one in marks]
    bare = advice in {"use", "undetermined"}  # no whiskers: nothing is claimed, or nothing can be
    sheet.trace(
        row,
        type=ground.renderer(len(marks)),
        x=[_clip(_now(s), 100.0, edge.pct) for _, s in marks],
        y=[_clip(_drift(s), 0.0, edge.per_year) if row == 1 else 0.0 for _, s in marks],
        mode="markers+text",
        name=status.word,
        marker={
            "symbol": status.symbol,
            "color": status.colour,
            "size": (5 if fit else 7) if crowded else 9 if fit else 12,
            "opacity": (0.5 if fit else 0.8) if crowded else 0.7 if fit else 1.0,
            "line": {"width": 2 if "open" in status.symbol else 0},
        },
        text=[_name(p, s, edge) if p.probe in named else "" for p, s in marks],
        textposition=[named.get(p.probe, "top center") for p, _ in marks],
        textfont={"size": 11},
        error_x=None
        if bare
        else _whisker([_now(s) for _, s in marks], [_share(s, s.current_interval) if t else None for t, (_, s) in told], status.colour),
        error_y=None
        if advice == "undetermined" or row == 2
        else _whisker(
            [_drift(s) for _, s in marks],
            [_share(s, s.drift_interval) if t and (not bare or _vague(s)) else None for t, (_, s) in told],
            status.colour,
        ),
        customdata=[[p.probe] for p, _ in marks],
        hovertext=[says[p.probe] for p, _ in marks],
        hoverinfo="text",
        legendgroup=advice,
        showlegend=legend,
    )


def _vague(series: SeriesResult) -> bool:
    """Whether a mark lies far up or down only because few checks tell its drift: bare, it would look like one that moves."""
    interval = series.drift_interval
    return interval is not None and interval[0] < 0 < interval[1] and abs(_drift(series)) > VAGUE_PER_YEAR


def _said_on_the_lines(moving: list[Mark], limits: Limits, edge: Edge) -> list[tuple[str, float, float]]:
    """The words of the two lines of time left, each with its place: of the lower limit, or of the upper where fewer marks lie."""
    outside = limits.action_level_pct
    low = sum(_now(s) < 100 - outside and _drift(s) < 0 for _, s in moving)
    high = sum(_now(s) > 100 + outside and _drift(s) > 0 for _, s in moving)
    side = -1 if low <= high else 1
    limit, steep = 100 + side * limits.tolerance_pct, 0.93 * (edge.per_year + 1.5)
    return [(text, limit - side * steep * years, side * steep) for years, text in TIME_LEFT]


def _levels(sheet: Sheet, limits: Limits, far: float, steep: float, words: list[tuple[str, float, float]]) -> None:
    sheet.band(100 - limits.action_level_pct, 100 + limits.action_level_pct, ground.FAINT)
    sheet.note(f"action level ±{limits.action_level_pct:g} %", 100, 1, yref="paper", yanchor="bottom")
    sheet.across(0, {"color": ground.INK, "width": 1})
    for side in (-1, 1):
        limit = 100 + side * limits.tolerance_pct
        sheet.down(limit, {"color": ground.BEYOND, "width": 1.4, "dash": "dash"})
        sheet.note(f"tolerance {limit:g} %", limit, 1, yref="paper", yanchor="bottom")
        corner = limit + side * 2 * far
        sheet.area(
            [limit, limit - side * steep, corner, corner, limit],
            [0, side * steep, side * steep, 0, 0],
            ground.BEYOND_SOFT,
        )
        for years, text in TIME_LEFT:
            sheet.line(
                [limit, limit - side * steep * years],
                [0, side * steep],
                {"color": ground.BEYOND, "width": 1, "dash": "dot"},
                hoverinfo="text",
                text=f"on this line the tolerance limit is {text}, if the drift goes on",
            )
    for text, x, y in words:
        sheet.note(text, x, y, row=1, xanchor="left" if y < 0 else "right", xshift=6 if y < 0 else -6)


def _worth_naming(drawn: list[Mark], limits: Limits, crowd: Edge | None = None) -> list[str]:
    """The probes in trouble that stand away from the crowd in the middle, the gravest first, as many as can be read.

    crowd: the edge of the picture where marks are so many that their names have to keep apart.
    """
    rank = {advice: i for i, advice in enumerate(PROBE_ORDER)}
    apart = [
        (p, s)
        for p, s in drawn
        if abs(_now(s) - 100) > limits.action_level_pct / 2 or abs(_drift(s)) > limits.action_level_pct / 2
    ]
    troubled = sorted((rank[p.advice], -abs(_now(s) - 100), p.probe) for p, s in apart if p.advice != "use")
    if crowd is None:
        return [name for _, _, name in troubled[:NAMED]]
    at = {p.probe: (_clip(_now(s), 100.0, crowd.pct), _clip(_drift(s), 0.0, crowd.per_year)) for p, s in apart}
    named: list[str] = []
    for _, _, name in troubled:
        x, y = at[name]
        if all(abs(x - at[one][0]) > APART[0] or abs(y - at[one][1]) > APART[1] for one in named):
            named.append(name)
        if len(named) == NAMED:
            break
    return named


def _name(probe: ProbeResult, series: SeriesResult, edge: Edge) -> str:
    """A mark's name; where it stands at the edge, with the value that did not fit."""
    where = f" {_now(series):.0f} %" if abs(_now(series) - 100) > edge.pct else ""
    going = (
        f" {values.number(_drift(series), '%/year', digits=2, sign=True)}" if goes(probe, series) and abs(_drift(series)) > edge.per_year else ""
    )
    return f"{probe.probe}{where}{going}"


def _placed(
    wanted: Sequence[str], drawn: list[Mark], edge: Edge, *, crowded: bool, words: Sequence[tuple[str, float, float]] = ()
) -> dict[str, str]:
    """Where each name stands beside its mark so that none lies on another, nor on a mark where there is room; else it is left out.

    Those at the edge come after the ones that are wanted, since their names say where they are; not in a crowd.
    """
    by_name = {p.probe: (p, s) for p, s in drawn}
    outer = [] if crowded else [p.probe for p, s in drawn if edge.beyond(s) and p.probe not in wanted]
    at = {name: _at(*one, edge) for name, one in by_name.items() if not crowded or name in wanted}
    marks = {} if crowded else {name: (x - DOT[0], x + DOT[0], y - DOT[1], y + DOT[1]) for name, (x, y) in at.items()}
    names: list[Box] = [_box(x, y, LETTER_PCT * len(text), "middle right" if y < 0 else "middle left") for text, x, y in words]
    found: dict[str, str] = {}
    for name in (*wanted, *outer):
        probe, series = by_name[name]
        others = [box for other, box in marks.items() if other != name]
        wide = LETTER_PCT * len(_name(probe, series, edge))
        boxes = {place: _box(*at[name], wide, place) for place in _places(series, edge)}
        clear = [place for place, box in boxes.items() if not _lies_on(box, names)]
        for place in [*(one for one in clear if not _lies_on(boxes[one], others)), *clear][:1]:  # on a mark rather than nowhere
            names.append(boxes[place])
            found[name] = place
    return found


def _box(x: float, y: float, wide: float, place: str) -> Box:
    """The room of a name that stands so beside its mark."""
    height, side = place.split()
    left = x - {"left": wide + 0.4, "center": wide / 2, "right": -0.4}[side]
    low = y + {"top": 0.1, "middle": -0.5, "bottom": -1.1}[height] * LINE_PER_YEAR
    return left, left + wide, low, low + LINE_PER_YEAR


def _lies_on(box: Box, others: Sequence[Box]) -> bool:
    return any(box[0] <= b[1] and b[0] <= box[1] and box[2] <= b[3] and b[2] <= box[3] for b in others)


def _at(probe: ProbeResult, series: SeriesResult, edge: Edge) -> tuple[float, float]:
    """Where a mark stands; one that goes nowhere stands in the strip below."""
    below = -edge.per_year - 4 * LINE_PER_YEAR
    return _clip(_now(series), 100.0, edge.pct), _clip(_drift(series), 0.0, edge.per_year) if goes(probe, series) else below


def _places(series: SeriesResult, edge: Edge) -> list[str]:
    """Where a name may stand, the best first: inward at an edge, else over or under its mark."""
    now, drift = _now(series) - 100, _drift(series)
    heights = ("bottom", "top", "middle") if drift > edge.per_year / 2 else ("top", "bottom", "middle")
    sides = ("right",) if now < -0.4 * edge.pct else ("left",) if now > 0.4 * edge.pct else ("center", "right", "left")
    return [f"{height} {side}" for side in sides for height in heights if (height, side) != ("middle", "center")]


def _now(series: SeriesResult) -> float:
    return series.current_pct if series.current_pct is not None else 100.0


def _drift(series: SeriesResult) -> float:
    return series.drift_pct_per_year if series.drift_pct_per_year is not None else 0.0


def _clip(value: float, centre: float, reach: float) -> float:
    return min(max(value, centre - reach), centre + reach)


def _share(series: SeriesResult, bounds: tuple[float, float] | None) -> tuple[float, float] | None:
    if bounds is None or series.reference is None or not series.reference.value:
        return None
    return 100 * bounds[0] / series.reference.value, 100 * bounds[1] / series.reference.value


def _whisker(centres: list[float], bounds: list[tuple[float, float] | None], colour: str) -> dict[str, object]:
    up = [b[1] - c if b else 0.0 for c, b in zip(centres, bounds, strict=True)]
    down = [c - b[0] if b else 0.0 for c, b in zip(centres, bounds, strict=True)]
    return {
        "type": "data",
        "symmetric": False,
        "array": up,
        "arrayminus": down,
        "thickness": 1,
        "width": 0,
        "color": colour,
    }


def _says(probe: ProbeResult, series: SeriesResult) -> str:
    drift = (
        "stepped; whether it also drifts is not told by that"
        if stepped(probe, series)
        else "no trend yet"
        if series.drift_pct_per_year is None
        else values.number(series.drift_pct_per_year, "% a year", digits=2, sign=True)
    )
    due = (
        f"<br>reaches {series.crossing.limit_pct:g} % about {values.day(series.crossing.p50)}"
        if series.crossing and series.crossing.p50
        else ""
    )
    why = f"<br>{CAUSE[probe.cause]}" if probe.cause != "none" else ""
    head = f"<b>{probe.probe}</b>, {probe.site}: {PROBE[probe.advice].word}"
    return f"{head}<br>{values.number(series.current_pct, '% of reference', digits=4)}, {drift}{due}{why}"


_SAID = ByEach(_says)
