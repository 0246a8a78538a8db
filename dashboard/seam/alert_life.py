"""The life of a happening: opened, seen, handed on, settled, opened again; each turn with who, when and what was noted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from analytics.named_rows import named_rows
from dashboard.seam.digest import Episode

NEW, SEEN, HANDED, AGAIN, SETTLED = "not seen yet", "seen", "handed on", "opened again", "settled"
KINDS = ("seen", "handed", "settled")


@dataclass(frozen=True)
class Turn:
    """One turn of a happening."""

    when: datetime
    kind: str  # "opened", "again", "seen", "handed", "settled", "calm"
    by: str = ""
    to: str = ""
    note: str = ""


@dataclass(frozen=True)
class Life:
    """All turns of a happening in order, and where it stands."""

    turns: tuple[Turn, ...]
    state: str
    with_whom: str  # who has it: the person it was handed to, else who saw it last; empty where nobody has


def life(episode: Episode, decisions: pd.DataFrame) -> Life:
    """The life of a happening from its alerts and from what people decided about it.

    An alert that signals after somebody settled the happening opens it again: that takes a further rule, such as a level
    passed, or a further onset; the alarm that was settled stays settled.
    """
    mine = decisions[decisions["episode"] == episode.episode]
    about = mine["probe"] == episode.subject if episode.kind == "probe" else mine["probe"].isna()
    made = [
        Turn(one.decided_at.to_pydatetime(), str(one.kind), str(one.by), _text(one.value), _text(one.reason))
        for one in named_rows(mine[about])
        if one.kind in KINDS
    ]
    by_hand = [one.when for one in made if one.kind == "settled"]
    turns = [Turn(episode.first_at, "opened"), *made]
    for alert, _ in episode.alerts[1:]:
        if any(when < alert.signalled_at for when in by_hand):
            turns.append(Turn(alert.signalled_at, "again", note=alert.detail))
    if episode.settled_at is not None and episode.settled_at not in by_hand:
        turns.append(Turn(episode.settled_at, "calm"))
    turns.sort(key=lambda one: one.when)
    return Life(tuple(turns), _state(episode, turns), _with_whom(turns))


def _state(episode: Episode, turns: list[Turn]) -> str:
    if episode.settled_at is not None:
        return SETTLED
    newest = [one.kind for one in turns if one.kind in ("again", "seen", "handed")]
    return {"again": AGAIN, "seen": SEEN, "handed": HANDED}[newest[-1]] if newest else NEW


def _with_whom(turns: list[Turn]) -> str:
    handed = [one.to for one in turns if one.kind == "handed"]
    seen = [one.by for one in turns if one.kind == "seen"]
    return (handed or seen or [""])[-1]


def _text(value: object) -> str:
    return "" if value is None or value != value else str(value)  # noqa: PLR0124 - a missing text is NaN
