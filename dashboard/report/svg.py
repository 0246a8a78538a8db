"""A small writer of SVG: axes, lines, areas, marks and text. The same input gives the same bytes; nothing is fetched.

Coordinates are in points, y downwards. Whatever text comes in is escaped, and characters that XML cannot carry are replaced.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from html import escape

Point = tuple[float, float]

FONT = "Libertinus Serif, Georgia, serif"
INK, QUIET, GRID = "#1f2a30", "#5d686f", "#d8dde0"


def clean(text: str) -> str:
    """Text for XML: escaped, with U+FFFD for what XML cannot carry.

    >>> clean("a<b & " + chr(0)) == "a&lt;b &amp; " + chr(0xFFFD)
    True
    """
    allowed = "".join(
        one if one in "\t\n\r" or (one >= " " and not "\ud800" <= one <= "\udfff" and one not in "\ufffe\uffff") else "\ufffd"
        for one in text
    )
    return escape(allowed)


def ticks(low: float, high: float, wanted: int = 5) -> list[float]:
    """Round numbers from low to high, about as many as wanted; none where the range is empty.

    >>> ticks(0.0, 10.0), ticks(1.0, 1.0)
    ([0.0, 2.0, 4.0, 6.0, 8.0, 10.0], [])
    """
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return []
    rough = (high - low) / wanted
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def label(value: float, step: float) -> str:
    """A tick's number with the decimals its step needs, and a true minus.

    >>> label(-0.5, 0.5), label(90.0, 5.0)
    ('−0.5', '90')
    """
    places = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    return f"{value:.{places}f}".replace("-", "\N{MINUS SIGN}")


def day_ticks(first: datetime, last: datetime, wanted: int = 6) -> list[tuple[datetime, str]]:
    """First days of months or years between two moments, with their names.

    >>> [text for _, text in day_ticks(datetime(2022, 5, 1), datetime(2024, 3, 1))]
    ['Jul 22', 'Jan 23', 'Jul 23', 'Jan 24']
    """
    months = (last.year - first.year) * 12 + last.month - first.month
    step = next((m for m in (1, 2, 3, 6, 12, 24, 60) if months / m <= wanted), 120)
    if months < 2:
        span = max((last - first).days, 1)
        every = max(1, round(span / wanted))
        days = [first.date() + timedelta(days=k) for k in range(0, span + 1, every)]
        return [(datetime.combine(d, datetime.min.time()), f"{d.day} {_MONTHS[d.month - 1]}") for d in days]
    out = []
    for k in range(first.year * 12, last.year * 12 + 13, step):
        at = date(k // 12, k % 12 + 1, 1)
        if first.date() <= at <= last.date():
            text = f"{at.year}" if step >= 12 else f"{_MONTHS[at.month - 1]} {at.year % 100:02d}"
            out.append((datetime.combine(at, datetime.min.time()), text))
    return out


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass
class Svg:
    """A drawing that grows; ``text()`` at the end."""

    width: float
    height: float
    title: str
    parts: list[str] = field(default_factory=list)

    def line(
        self, points: Iterable[Point | None], colour: str, width: float = 1.0, dash: str = "", opacity: float = 1.0
    ) -> None:
        """A line through points; None breaks it."""
        path, pen = [], "M"
        for one in points:
            if one is None or not all(map(math.isfinite, one)):
                pen = "M"
                continue
            path.append(f"{pen}{one[0]:.2f} {one[1]:.2f}")
            pen = "L"
        if path:
            dashes = f' stroke-dasharray="{dash}"' if dash else ""
            faint = f' stroke-opacity="{opacity:.2f}"' if opacity < 1 else ""
            self.parts.append(
                f'<path d="{"".join(path)}" fill="none" stroke="{colour}" stroke-width="{width:.2f}"{dashes}{faint}/>'
            )

    def area(self, points: Sequence[Point], colour: str, opacity: float = 1.0) -> None:
        """A filled outline."""
        if len(points) > 2:
            ring = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
            self.parts.append(f'<polygon points="{ring}" fill="{colour}" fill-opacity="{opacity:.2f}"/>')

    def box(self, x: float, y: float, width: float, height: float, colour: str, opacity: float = 1.0) -> None:
        """A filled rectangle."""
        self.parts.append(
            f'<rect x="{x:.2f}" y="{y:.2f}" width="{max(width, 0):.2f}" height="{max(height, 0):.2f}"'
            f' fill="{colour}" fill-opacity="{opacity:.2f}"/>'
        )

    def mark(self, shape: str, x: float, y: float, size: float, colour: str, *, filled: bool = True) -> None:
        """One mark: circle, square, diamond, triangle-down, triangle-up, x or bar."""
        r = size / 2
        paint = f'fill="{colour}"' if filled else f'fill="#ffffff" stroke="{colour}" stroke-width="1.1"'
        if shape == "circle":
            self.parts.append(f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{r:.2f}" {paint}/>')
        elif shape in ("x", "bar"):
            strokes = [(-r, -r, r, r), (-r, r, r, -r)] if shape == "x" else [(0.0, -r, 0.0, r)]
            for a, b, c, d in strokes:
                self.line([(x + a, y + b), (x + c, y + d)], colour, 1.6)
        else:
            corners = {
                "square": [(-r, -r), (r, -r), (r, r), (-r, r)],
                "diamond": [(0, -r * 1.25), (r * 1.25, 0), (0, r * 1.25), (-r * 1.25, 0)],
                "triangle-down": [(-r * 1.15, -r), (r * 1.15, -r), (0, r * 1.15)],
                "triangle-up": [(-r * 1.15, r), (r * 1.15, r), (0, -r * 1.15)],
            }[shape]
            ring = " ".join(f"{x + dx:.2f},{y + dy:.2f}" for dx, dy in corners)
            self.parts.append(f'<polygon points="{ring}" {paint}/>')

    def ring(self, x: float, y: float, size: float, colour: str) -> None:
        """An open circle around a mark."""
        self.parts.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{size / 2:.2f}" fill="none" stroke="{colour}" stroke-width="1.20"/>'
        )

    def write(
        self, text: str, x: float, y: float, *, size: float = 8.0, anchor: str = "start", colour: str = INK, turn: bool = False
    ) -> None:
        """Text with its baseline at y; ``turn``: upwards."""
        turned = f' transform="rotate(-90 {x:.2f} {y:.2f})"' if turn else ""
        self.parts.append(
            f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:.1f}" text-anchor="{anchor}" fill="{colour}"{turned}>'
            f"{clean(text)}</text>"
        )

    def text(self) -> str:
        """The whole drawing."""
        name = clean(self.title)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:g} {self.height:g}"'
            f' width="{self.width:g}pt" height="{self.height:g}pt" role="img" aria-label="{name}"'
            f' font-family="{FONT}"><title>{name}</title>'
            f'<rect width="{self.width:g}" height="{self.height:g}" fill="#ffffff"/>{"".join(self.parts)}</svg>\n'
        )


@dataclass
class Frame:
    """The window of a drawing through which data is seen: from data to points."""

    svg: Svg
    left: float
    top: float
    width: float
    height: float
    x0: float
    x1: float
    y0: float
    y1: float

    def x(self, value: float) -> float:
        """Across; what lies outside stands at the edge."""
        share = (value - self.x0) / (self.x1 - self.x0)
        return self.left + self.width * min(max(share, 0.0), 1.0)

    def y(self, value: float) -> float:
        """Down; what lies outside stands at the edge."""
        share = (value - self.y0) / (self.y1 - self.y0)
        return self.top + self.height * (1.0 - min(max(share, 0.0), 1.0))

    def at(self, x: float, y: float) -> Point | None:
        """A place, or None where it is not known."""
        return (self.x(x), self.y(y)) if math.isfinite(x) and math.isfinite(y) else None

    def left_axis(self, words: str, wanted: int = 5) -> None:
        """Grid, numbers and what they are."""
        places = ticks(self.y0, self.y1, wanted)
        step = places[1] - places[0] if len(places) > 1 else 1.0
        for value in places:
            y = self.y(value)
            self.svg.line([(self.left, y), (self.left + self.width, y)], GRID, 0.5)
            self.svg.write(label(value, step), self.left - 3, y + 2.6, size=7.5, anchor="end", colour=QUIET)
        self.svg.write(words, self.left - 30, self.top + self.height / 2, size=8, anchor="middle", colour=QUIET, turn=True)

    def time_axis(self, first: datetime, last: datetime) -> None:
        """Months or years under the frame."""
        foot = self.top + self.height
        self.svg.line([(self.left, foot), (self.left + self.width, foot)], QUIET, 0.6)
        for at, text in day_ticks(first, last, max(3, int(self.width // 60))):
            x = self.x(stamp(at))
            self.svg.line([(x, foot), (x, foot + 3)], QUIET, 0.6)
            self.svg.write(text, x, foot + 11, size=7.5, anchor="middle", colour=QUIET)


def stamp(at: datetime) -> float:
    """Days since 1970."""
    return (at - datetime(1970, 1, 1)).total_seconds() / 86400.0
