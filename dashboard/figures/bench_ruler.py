"""The expected range as a ruler: usual range, action level and tolerance, with the typed counts on it."""

from __future__ import annotations

import html
from collections.abc import Sequence

from analytics.advice.bench_expectation import Expectation

_TOLERANCE, _ACTION, _USUAL = "200,80,45", "176,122,18", "43,138,110"
_PAD = 0.35  # of the tolerance range, shown beyond each end


def whole(value: float) -> str:
    """Counts as a person reads them.

    >>> whole(20049.6)
    '20\u202f050'
    """
    return f"{round(value):,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def bench_ruler(expected: Expectation, counts: Sequence[float]) -> str:
    """HTML of the ranges and of ``counts``, each scaled to the expected counting time; empty where nothing is expected.

    Counts beyond the scale sit at its end as arrows. The bands differ in height and outline, and are named below.
    """
    if expected.counts is None or expected.tolerance is None or expected.action is None or expected.usual is None:
        return ""
    low, high = expected.tolerance
    pad = _PAD * max(high - low, 2)
    first, last = low - pad, high + pad

    def at(value: float) -> float:
        return 100 * (min(max(value, first), last) - first) / (last - first)

    def band(ends: tuple[float, float], inset: int, colour: str, fill: float, line: str) -> str:
        left, width = at(ends[0]), at(ends[1]) - at(ends[0])
        return (
            f'<div style="position:absolute;left:{left:.2f}%;width:{width:.2f}%;'
            f"top:{26 + inset}px;bottom:{44 + inset}px;"
            f'background:rgba({colour},{fill});border:1px {line} rgb({colour});border-radius:3px"></div>'
        )

    def text(content: str, value: float, top: int, extra: str = "") -> str:
        return (
            f'<div style="position:absolute;left:{at(value):.2f}%;top:{top}px;'
            f"transform:translateX(-50%);white-space:nowrap;"
            f'{extra}">{content}</div>'
        )

    places: dict[int, list[int]] = {}
    for n, value in enumerate(counts):
        places.setdefault(round(at(value)), []).append(n)
    marks = []
    for together in places.values():
        value = counts[together[0]]
        symbol = "▲" if first <= value <= last else ("◀" if value < first else "▶")
        marks.append(text(symbol, value, 64, "font-size:1.25rem;line-height:1"))
        if len(counts) > 1:
            marks.append(text(", ".join(str(n + 1) for n in together), value, 84, "font-size:0.75rem"))
    said = (
        f"Expected {whole(expected.counts)} counts, usually {whole(expected.usual[0])} to {whole(expected.usual[1])}, "
        f"tolerance {whole(low)} to {whole(high)}" + (f"; counted {', '.join(map(whole, counts))}" if counts else "")
    )
    parts = [
        band((low, high), 0, _TOLERANCE, 0.06, "dashed"),
        band(expected.action, 5, _ACTION, 0.13, "dotted"),
        band(expected.usual, 10, _USUAL, 0.32, "solid"),
        text("", expected.counts, 22, "height:40px;border-left:2px solid currentColor"),
        text(whole(expected.counts), expected.counts, 0, "font-weight:650"),
        text(whole(low), low, 3, "font-size:0.8rem"),
        text(whole(high), high, 3, "font-size:0.8rem"),
        *marks,
    ]
    key = " · ".join(
        f'<span style="border:1px {line} rgb({colour});background:rgba({colour},{fill});padding:0 0.4em">{word}</span>'
        for word, colour, fill, line in (
            ("usual", _USUAL, 0.32, "solid"),
            ("action level", _ACTION, 0.13, "dotted"),
            ("tolerance", _TOLERANCE, 0.06, "dashed"),
        )
    )
    return (
        f'<div role="img" aria-label="{html.escape(said)}" style="position:relative;height:102px;max-width:640px;'
        f'font-variant-numeric:tabular-nums">{"".join(parts)}</div>'
        f'<div aria-hidden="true" style="font-size:0.8rem">{key}</div>'
    )
