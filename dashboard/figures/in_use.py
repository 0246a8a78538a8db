"""What was in use when: check source, jig and control unit as bands along the time axis, each with its name."""

from __future__ import annotations

import numpy as np
import pandas as pd

from dashboard.figures.ground import stamp
from dashboard.figures.sheet import Sheet
from dashboard.parts import values

SHORTEST = pd.Timedelta(days=1)  # drawn of what was in use for one check alone
WORD = {"source": "source", "jig": "jig", "readout": "control unit"}
_TINTS = ("rgba(47,127,147,0.26)", "rgba(194,97,44,0.30)")  # two that take turns: a change shows as a change of tint


def lanes(points: pd.DataFrame) -> list[str]:
    """The kinds of equipment that are on record for these points."""
    return [kind for kind in WORD if points[kind].notna().any()]


def draw_in_use(sheet: Sheet, points: pd.DataFrame, kinds: list[str], *, row: int) -> None:
    """Bands in one row, one lane a kind, from the first to the last check with it."""
    for height, kind in enumerate(reversed(kinds)):
        for number, (name, first, last) in enumerate(spells(points, kind)):
            begin, end = stamp(first), stamp(max(last, first + SHORTEST))
            sheet.area(
                [begin, end, end, begin, begin],
                [height - 0.4, height - 0.4, height + 0.4, height + 0.4, height - 0.4],
                _TINTS[number % 2],
                row=row,
                hoverinfo="text",
                hoveron="fills",
                text=f"{WORD[kind]} {name}: {values.day(first)} to {values.day(last)}",
            )
            sheet.note(name, first, height, row=row, xanchor="left")
    sheet.y(
        row,
        tickvals=list(range(len(kinds))),
        ticktext=[WORD[k] for k in reversed(kinds)],
        showgrid=False,
        ticks="",
        range=[-0.6, max(len(kinds), 1) - 0.4],
    )


def spells(points: pd.DataFrame, kind: str) -> list[tuple[str, pd.Timestamp, pd.Timestamp]]:
    """(name, first check, last check) of each unbroken stretch with one piece of equipment, in time order."""
    known = points.loc[points[kind].notna(), ["check_at", kind]]
    if known.empty:
        return []
    names = known[kind].astype("str").to_numpy()
    starts = np.flatnonzero(np.concatenate([[True], names[1:] != names[:-1]]))
    ends = np.concatenate([starts[1:], [len(names)]]) - 1
    at = known["check_at"].reset_index(drop=True)
    return [(str(names[s]), at[s], at[e]) for s, e in zip(starts, ends, strict=True)]
