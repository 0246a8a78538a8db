"""The expected range as a ruler: usual range, action level and tolerance on one scale of counts, with the typed counts on it."""

from __future__ import annotations

import html
from collections.abc import Sequence

from analytics.advice.bench_expectation import Expectation

_WIDTH, _LEFT, _RIGHT = 640, 12, 628
_TOLERANCE, _ACTION, _USUAL, _MARK = "#c8502d", "#b07a12", "#2b8a6e", "currentColor"


def bench_ruler(expected: Expectation, counts: Sequence[float]) -> str:
    """An SVG of the ranges and of ``counts`` (each scaled to the counting time expected for); empty where nothing is expected.

    Marks beyond the scale sit at its end as arrows. Bands differ in height and are named, not by colour alone.
    """
    if expected.counts is None or expected.tolerance is None or expected.action is None or expected.usual is None:
        return ""
    low, high = expected.tolerance
    pad = 0.35 * max(high - low, 2)
    first, last = low - pad, high + pad
    usual = max(expected.usual[0], first), min(expected.usual[1], last)

    def x(value: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * (min(max(value, first), last) - first) / (last - first)

    def band(ends: tuple[float, float], top: int, height: int, colour: str, opacity: float) -> str:
        return (f'<rect x="{x(ends[0]):.1f}" y="{top}" width="{max(x(ends[1]) - x(ends[0]), 1):.1f}" height="{height}" '
                f'fill="{colour}" fill-opacity="{opacity}" stroke="{colour}" stroke-width="1"/>')

    def number(value: float, y: int, anchor: str, at: float) -> str:
        return f'<text x="{at:.1f}" y="{y}" text-anchor="{anchor}" font-size="13" fill="currentColor">{_digits(value)}</text>'

    parts = [
        band((low, high), 34, 34, _TOLERANCE, 0.07), band(expected.action, 38, 26, _ACTION, 0.12), band(usual, 42, 18, _USUAL, 0.30),
        f'<line x1="{x(expected.counts):.1f}" x2="{x(expected.counts):.1f}" y1="30" y2="72" stroke="currentColor" stroke-width="1.5"/>',
        number(low, 88, "middle", x(low)), number(high, 88, "middle", x(high)),
        f'<text x="{x(expected.counts):.1f}" y="24" text-anchor="middle" font-size="14" font-weight="650" fill="currentColor">'
        f'{_digits(expected.counts)} expected</text>',
    ]
    for n, value in enumerate(counts, 1):
        inside = first <= value <= last
        symbol = "▲" if inside else ("◀" if value < first else "▶")
        parts.append(f'<text x="{x(value):.1f}" y="104" text-anchor="middle" font-size="17" fill="{_MARK}">{symbol}</text>')
        if len(counts) > 1:
            parts.append(f'<text x="{x(value):.1f}" y="118" text-anchor="middle" font-size="11" fill="{_MARK}">{n}</text>')
    said = (f"Expected {_digits(expected.counts)} counts, usually {_digits(expected.usual[0])} to {_digits(expected.usual[1])}, "
            f"tolerance {_digits(low)} to {_digits(high)}"
            + (f"; counted {', '.join(_digits(value) for value in counts)}" if counts else ""))
    return (f'<svg viewBox="0 0 {_WIDTH} 122" width="100%" role="img" aria-label="{html.escape(said)}" '
            f'style="max-width:{_WIDTH}px;font-variant-numeric:tabular-nums">{"".join(parts)}</svg>')


def _digits(value: float) -> str:
    return f"{round(value):,}".replace(",", "\N{NARROW NO-BREAK SPACE}")
