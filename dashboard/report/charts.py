"""The charts of a report as SVG: the response of a probe with its limits, the fleet at a glance, a look back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta

import numpy as np
import pandas as pd

from analytics.advice.look_back import Doubt
from analytics.results import ProbeResult, SeriesResult
from analytics.settings import Limits
from dashboard.figures import ground
from dashboard.parts import values
from dashboard.parts.direction import goes, told
from dashboard.parts.words import PROBE, PROBE_ORDER
from dashboard.report.svg import GRID, INK, QUIET, Frame, Svg, label, stamp, ticks

LEFT, RIGHT, TOP, FOOT = 46.0, 8.0, 16.0, 18.0
FLAGS = {  # flag -> mark, filled, colour
    "used": ("circle", True, ground.DOT),
    "reference": ("square", True, ground.DOT),
    "lone_outlier": ("circle", False, ground.BEYOND),
    "pending": ("diamond", False, ground.BEYOND),
    "excluded": ("x", False, ground.BEYOND),
    "no_signal": ("triangle-down", False, ground.BEYOND),
}
ROOM_PCT, EDGE_PER_YEAR = 4.0, 12.0  # beyond the tolerance; marks farther out stand at the edge
NAMED = 16
LETTER = 4.2  # width of a letter of a name, about
STRIP = 22.0  # height of the strip for those of which no trend is told


def response_chart(
    series: SeriesResult,
    points: pd.DataFrame,
    as_of: datetime,
    *,
    start: datetime | None = None,
    width: float = 350.0,
    height: float = 165.0,
) -> str:
    """The response of one series as charted, with error bars, reference, chart limits, levels, alerts and forecast.

    points: rows of ``FleetAssessment.points`` of the series. start: first moment shown; None: all.
    """
    name = f"{series.probe}, {series.window}" + (f", {series.jig}" if series.jig else "")
    svg = Svg(width, height, f"Response of {name}")
    svg.write(shortened(name, int(width / 5.2)), LEFT, 10, size=9)
    shown = points if start is None else points[points["check_at"] >= start]
    svg.write(_stands(series), width - RIGHT, 10, size=8, anchor="end", colour=QUIET)
    if shown.empty:
        svg.write("no check in this time", width / 2, height / 2, anchor="middle", colour=QUIET)
        return svg.text()
    first = shown["check_at"].iloc[0].to_pydatetime() - timedelta(days=4)
    last = max(as_of, _forecast_end(series, first, as_of))
    low, high = _span(series, shown)
    frame = Frame(
        svg, LEFT, TOP, width - LEFT - RIGHT, height - TOP - FOOT, stamp(first), stamp(last) + 1e-6, low, high
    )
    frame.left_axis(series.unit)
    frame.time_axis(first, last)
    _levels(frame, series, shown)
    _marks(frame, shown)
    _forecast(frame, series, as_of, last)
    for number, alert in enumerate(series.alerts, 1):
        near = shown[shown["check_at"] >= alert.signalled_at]
        if (start is not None and alert.signalled_at < start) or near.empty:
            continue
        place = frame.at(stamp(near["check_at"].iloc[0].to_pydatetime()), float(near["corrected"].iloc[0]))
        if place is not None:
            svg.ring(*place, 9, ground.BEYOND)
            svg.write(str(number), place[0], place[1] - 6, size=7.5, anchor="middle", colour=ground.BEYOND)
    return svg.text()


def response_alt(series: SeriesResult) -> str:
    """What the picture of a response shows, in a sentence."""
    drift = values.number(series.drift_pct_per_year, "% a year", digits=2, sign=True)
    return (
        f"Response of probe {series.probe} in window {series.window} over {values.count(series.readings, 'check')}: "
        f"{_stands(series).split(',')[0]}, drift {drift}, {values.count(len(series.alerts), 'alert')}."
    )


def fleet_alt(probes: Sequence[ProbeResult], headline: Mapping[str, SeriesResult]) -> str:
    """What the picture of the fleet shows, in a sentence."""
    spoken = [headline[p.probe] for p in probes if p.probe in headline]
    drawn = sum(s.current_pct is not None for s in spoken)
    return (
        f"{drawn} of {len(probes)} probes by their response now, in per cent of the reference, and their drift in per cent a "
        "year. The table of every probe holds the same numbers."
    )


def shortened(text: str, most: int) -> str:
    """Text of at most so many characters, with an ellipsis where it was cut.

    >>> shortened("GP-001, Co-57", 8)
    'GP-001,…'
    """
    return text if len(text) <= most else text[: most - 1] + "…"


def _stands(series: SeriesResult) -> str:
    if series.current_pct is None:
        return "no current value"
    drift = "" if series.drift_pct_per_year is None or not told(series) else f", {values.tenths(series.drift_pct_per_year, '%/year')}"
    return f"{values.number(series.current_pct, '% of reference', digits=3)}{drift}"


def _span(series: SeriesResult, points: pd.DataFrame) -> tuple[float, float]:
    charted = points[points["flag"].isin(["used", "reference"])]
    shown = charted if len(charted) else points
    move = shown["corrected"] - shown["value"]
    ends = [shown["value_low"] + move, shown["value_high"] + move, shown["limit_low"], shown["limit_high"]]
    if series.tolerance_pct is not None:
        ends += [shown["expected"] * (1 + side * series.tolerance_pct / 100) for side in (-1, 1)]
    heights = np.concatenate([one.to_numpy(float) for one in (*ends, shown["corrected"])])
    heights = heights[np.isfinite(heights)]
    if len(heights) == 0:
        return 0.0, 1.0
    room = 0.05 * (heights.max() - heights.min()) or 0.1 * abs(heights.max()) or 1.0
    return float(heights.min() - room), float(heights.max() + room)


def _levels(frame: Frame, series: SeriesResult, points: pd.DataFrame) -> None:
    known = points[points["flag"].isin(["used", "reference"]) & points["expected"].notna()]
    if known.empty:
        return
    piece = ground.pieces(known["check_at"])
    x = known["check_at"].to_numpy().astype("datetime64[us]").astype(np.int64) / 86_400e6
    low, high, middle = (known[c].to_numpy(float) for c in ("limit_low", "limit_high", "expected"))
    piece = piece + np.concatenate([[0], np.cumsum(np.diff(middle) != 0)])  # each reference has its own lines
    for number in np.unique(piece):
        mine = np.flatnonzero((piece == number) & np.isfinite(low) & np.isfinite(high))
        outline = [(frame.x(x[k]), frame.y(high[k])) for k in mine] + [(frame.x(x[k]), frame.y(low[k])) for k in mine[::-1]]
        frame.svg.area(outline, "#7b858c", 0.16)
        here = np.flatnonzero(piece == number)
        ends = here[[0, -1]]
        for factor, colour, dash, wide in _lines(series):
            frame.svg.line([frame.at(x[k], middle[k] * factor) for k in ends], colour, wide, dash)


def _lines(series: SeriesResult) -> list[tuple[float, str, str, float]]:
    out = [(1.0, QUIET, "", 0.9)]
    for pct, colour, dash in ((series.action_pct, ground.LIMIT, "1.5 2"), (series.tolerance_pct, ground.BEYOND, "5 3")):
        if pct is not None:
            out += [(1 + side * pct / 100, colour, dash, 0.9) for side in (-1, 1)]
    return out


def _marks(frame: Frame, points: pd.DataFrame) -> None:
    crowded = len(points) / frame.width > 0.35
    size, faint = (2.2, 0.22) if crowded else (3.6, 0.45)
    at = points["check_at"].to_numpy().astype("datetime64[us]").astype(np.int64) / 86_400e6
    columns = ("corrected", "value", "value_low", "value_high")
    height, value, low, high = (points[c].to_numpy(float) for c in columns)
    for k, flag in enumerate(points["flag"].astype(object)):
        shape, filled, colour = FLAGS[flag]
        x, y = frame.x(at[k]), height[k]
        if not np.isfinite(y):
            frame.svg.mark(shape, x, frame.top + frame.height - 4, 6, colour, filled=filled)
            continue
        if filled and np.isfinite(low[k]) and np.isfinite(high[k]):
            move = y - value[k]
            frame.svg.line([(x, frame.y(low[k] + move)), (x, frame.y(high[k] + move))], ground.DOT, 0.5, opacity=faint)
        frame.svg.mark(shape, x, frame.y(y), size if filled else 5.0, colour, filled=filled)


def _forecast_end(series: SeriesResult, first: datetime, as_of: datetime) -> datetime:
    if series.crossing is None or series.crossing.p05 is None:
        return as_of
    end = series.crossing.p95 or series.crossing.p50 or series.crossing.p05
    farthest = as_of + max(timedelta(days=180), (as_of - first) * 0.6)
    return min(datetime.combine(end, time()) + timedelta(days=20), farthest)


def _forecast(frame: Frame, series: SeriesResult, as_of: datetime, last: datetime) -> None:
    now = frame.x(stamp(as_of))
    frame.svg.line([(now, frame.top), (now, frame.top + frame.height)], QUIET, 0.6)
    one = series.crossing
    if one is None or series.reference is None or one.p05 is None or last <= as_of:
        return
    y = frame.y(series.reference.value * one.limit_pct / 100)
    begin = frame.x(stamp(datetime.combine(one.p05, time())))
    end = frame.x(stamp(datetime.combine(one.p95, time()))) if one.p95 else frame.left + frame.width
    frame.svg.line([(begin, y), (end, y)], ground.FORECAST, 3.2)
    frame.svg.line([(begin, y - 4), (begin, y + 4)], ground.FORECAST, 1.2)
    if one.p95 and datetime.combine(one.p95, time()) <= last:
        frame.svg.line([(end, y - 4), (end, y + 4)], ground.FORECAST, 1.2)
    if one.p50 is not None and datetime.combine(one.p50, time()) <= last:
        frame.svg.mark("diamond", frame.x(stamp(datetime.combine(one.p50, time()))), y, 6, ground.FORECAST)


def fleet_chart(
    probes: Sequence[ProbeResult], headline: Mapping[str, SeriesResult], limits: Limits, *, width: float = 720.0, height: float = 330.0
) -> str:
    """One mark a probe at (response now in % of its reference, drift in % a year); without a present response it is left out.

    One that stepped, or of which no trend can be told, stands in the strip under the rest, as on the page of the fleet.
    """
    svg = Svg(width, height, "The fleet: response now, and drift")
    drawn = [
        (p, s, s.current_pct, s.drift_pct_per_year if goes(p, s) else None)
        for p in probes
        if (s := headline.get(p.probe)) is not None and s.current_pct is not None
    ]
    strip = STRIP if any(drift is None for *_, drift in drawn) else 0.0
    far = limits.tolerance_pct + ROOM_PCT
    steep = min(EDGE_PER_YEAR, max([6.0, *(abs(d) for *_, d in drawn if d is not None)]))
    frame = Frame(
        svg, LEFT + 6, 22, width - LEFT - 20, height - 22 - 48 - strip, 100 - far - 1.5, 100 + far + 1.5, -steep - 1.5, steep + 1.5
    )
    band = limits.action_level_pct
    svg.box(frame.x(100 - band), frame.top, frame.x(100 + band) - frame.x(100 - band), frame.height, "#7b858c", 0.12)
    frame.left_axis("Drift, % a year")
    for value in ticks(frame.x0, frame.x1, 7):
        x = frame.x(value)
        svg.line([(x, frame.top), (x, frame.top + frame.height)], GRID, 0.5)
        svg.write(label(value, 5), x, frame.top + frame.height + strip + 11, size=7.5, anchor="middle", colour=QUIET)
    if strip:
        svg.write(
            "no trend told", frame.left + frame.width - 3, frame.top + frame.height + strip / 2 + 3, size=7.5, anchor="end",
            colour=QUIET,
        )  # fmt: skip
    svg.write("Response now, % of its reference", frame.left + frame.width / 2, height - 26, anchor="middle", colour=QUIET)
    svg.write(f"within action level ±{band:g} %", frame.x(100), 16, anchor="middle", colour=QUIET)
    for side in (-1, 1):
        x = frame.x(100 + side * limits.tolerance_pct)
        svg.line([(x, frame.top), (x, frame.top + frame.height)], ground.BEYOND, 1.0, "5 3")
        svg.write(f"tolerance {100 + side * limits.tolerance_pct:g} %", x, 16, anchor="middle", colour=QUIET)
    svg.line([(frame.left, frame.y(0)), (frame.left + frame.width, frame.y(0))], QUIET, 0.7)
    apart = [m for m in drawn if m[0].advice != "use" and max(abs(m[2] - 100), abs(m[3] or 0.0)) > band / 2]
    named = sorted(apart, key=lambda m: (PROBE_ORDER.index(m[0].advice), -abs(m[2] - 100), m[0].probe))[:NAMED]
    names = {m[0].probe for m in named}
    at = {
        p.probe: (frame.x(now), frame.y(drift) if drift is not None else frame.top + frame.height + strip / 2)
        for p, _, now, drift in drawn
    }
    in_order = sorted(drawn, key=lambda m: PROBE_ORDER.index(m[0].advice))
    for p, *_ in reversed(in_order):  # the gravest on top, and all names over all marks
        look = PROBE[p.advice]
        shape, filled = (look.symbol.removesuffix("-open"), not look.symbol.endswith("-open"))
        svg.mark(shape, *at[p.probe], 6 if p.advice == "use" else 8, look.colour, filled=filled)
    written: list[tuple[float, float, float]] = []  # left, right and foot of the names so far
    for p, _, now, drift in in_order:
        if p.probe in names:
            x, y = at[p.probe]
            end = now > 100 + 0.4 * far
            where = f" {now:.0f} %" if abs(now - 100) > far + 1.5 else ""
            going = f" {values.number(drift, '%/year', digits=2, sign=True)}" if abs(drift or 0.0) > steep + 1.5 else ""
            text = f"{shortened(p.probe, 24)}{where}{going}"
            left = x - 6 - LETTER * len(text) if end else x + 6
            right = left + LETTER * len(text)
            feet = [foot for foot in (y - 4, y + 11) if foot > frame.top + 8] or [y + 11]  # not on the words over the frame
            foot = next((one for one in feet if all(right < a or b < left or abs(one - f) > 9 for a, b, f in written)), feet[0])
            written.append((left, right, foot))
            svg.write(text, x + (-6 if end else 6), foot, size=8, anchor="end" if end else "start")
    _key(svg, [(PROBE[a].symbol, PROBE[a].colour, PROBE[a].word) for a in PROBE_ORDER], frame.left, height - 9)
    return svg.text()


def _key(svg: Svg, entries: list[tuple[str, str, str]], x: float, y: float) -> None:
    for symbol, colour, word in entries:
        svg.mark(symbol.removesuffix("-open"), x, y - 3, 7, colour, filled=not symbol.endswith("-open"))
        svg.write(word, x + 8, y, size=8.5)
        x += 26 + 4.6 * len(word)


def _side(words: str) -> str:
    return "start" if words == "found" else "end"


def doubt_chart(doubt: Doubt, points: pd.DataFrame, as_of: datetime, *, width: float = 720.0, height: float = 250.0) -> str:
    """The likely response since the last good check, with its 90 % interval, the checks, and the uses as bars below."""
    svg = Svg(width, height, f"Response of {doubt.series.probe} since its last good check")
    end = doubt.ended_at or as_of
    begin = doubt.last_good.at if doubt.last_good else (doubt.likely[0].at if doubt.likely else doubt.first_out.at)
    margin = max((end - begin) * 0.12, timedelta(days=3))
    first, last = begin - margin, end + margin * 0.3
    checks = points[(points["check_at"] >= first) & (points["check_at"] <= last)].assign(
        pct=lambda p: 100 * p["corrected"] / p["expected"]
    )
    tolerance = doubt.series.tolerance_pct or 10.0
    heights = [100 - tolerance * 1.25, 100 + tolerance * 1.25, *checks["pct"].dropna()]
    heights += [h for one in doubt.likely for h in (one.low_pct, one.high_pct)]
    frame = Frame(
        svg, LEFT, 22, width - LEFT - RIGHT, height - 22 - 56, stamp(first), stamp(last), min(heights) - 1, max(heights) + 1
    )
    svg.box(frame.x(stamp(begin)), frame.top, frame.x(stamp(end)) - frame.x(stamp(begin)), frame.height, ground.LIMIT, 0.08)
    frame.left_axis("% of reference")
    frame.time_axis(first, last)
    for side in (-1, 1):
        y = frame.y(100 + side * tolerance)
        svg.line([(frame.left, y), (frame.left + frame.width, y)], ground.BEYOND, 1.0, "5 3")
    frame.svg.line([(frame.left, frame.y(100)), (frame.left + frame.width, frame.y(100))], QUIET, 0.8)
    told = doubt.likely
    upper = [(frame.x(stamp(m.at)), frame.y(m.high_pct)) for m in told]
    svg.area(upper + [(frame.x(stamp(m.at)), frame.y(m.low_pct)) for m in reversed(told)], ground.FORECAST, 0.25)
    svg.line([frame.at(stamp(m.at), m.pct) for m in told], ground.FORECAST, 1.4)
    for at, pct, flag in zip(checks["check_at"], checks["pct"], checks["flag"].astype(object), strict=True):
        shape, filled, colour = FLAGS[flag]
        y = frame.y(pct) if np.isfinite(pct) else frame.top + frame.height - 4
        svg.mark(shape, frame.x(stamp(at.to_pydatetime())), y, 4.5, colour, filled=filled)
    marks = [("last good check", doubt.last_good.at if doubt.last_good else None), ("found", doubt.found_at), ("over", doubt.ended_at)]
    for words, at in marks:
        if at is not None:
            x = frame.x(stamp(at))
            svg.line([(x, frame.top), (x, frame.top + frame.height)], INK, 0.7, "2 2")
            svg.write(words, x + (3 if words == "found" else -3), 17, size=8, anchor=_side(words))
    foot = height - 24
    for use in doubt.uses:
        svg.line(
            [(frame.x(stamp(use.used_at)), foot - 6), (frame.x(stamp(use.used_at)), foot + 2)],
            ground.BEYOND if use.after_found else INK,
            0.9,
        )
    svg.write(
        f"{values.count(len(doubt.uses), 'use')} in doubt, one bar each" if doubt.uses else "no uses on record in this time",
        frame.left, height - 7, size=8, colour=QUIET,
    )  # fmt: skip
    return svg.text()
