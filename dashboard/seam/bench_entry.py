"""What is typed at the bench: kept as a draft, read as countings, turned into rows of the readings table."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from analytics.advice.bench_expectation import Bench, Counting

DEFAULT_TIME_S = "10"
_DIGITS = re.compile(r"[0-9]{1,12}")
_BLANKS = str.maketrans("", "", " \u00a0\u202f'")
SETUP = ("window", "source", "jig", "collimator", "readout")
CONDITIONS = ("temperature_c", "battery_pct", "on_minutes")


@dataclass(frozen=True)
class Entry:
    """One check as typed; each field is the text in its box. ``placements``: countings between two seatings."""

    probe: str = ""
    window: str = ""
    source: str = ""
    jig: str = ""
    collimator: str = ""
    readout: str = ""
    time_s: str = DEFAULT_TIME_S
    background_time_s: str = DEFAULT_TIME_S
    background: str = ""
    placements: tuple[tuple[str, ...], ...] = (("",),)
    below: str = ""
    above: str = ""
    side: str = ""
    temperature_c: str = ""
    battery_pct: str = ""
    on_minutes: str = ""
    note: str = ""
    started_at: datetime | None = None
    by: str = ""

    @property
    def started(self) -> bool:
        """True once a count was typed."""
        return any(one.strip() for one in (self.background, self.below, self.above, self.side, *self._source_texts()))

    def _source_texts(self) -> list[str]:
        return [text for placement in self.placements for text in placement]

    def payload(self) -> dict[str, Any]:
        """The draft as plain JSON values."""
        values = {
            name: getattr(self, name) for name in self.__dataclass_fields__ if name not in ("placements", "started_at")
        }
        return {
            **values,
            "placements": [list(one) for one in self.placements],
            "started_at": self.started_at.isoformat() if self.started_at else None,
        }

    @staticmethod
    def from_payload(payload: Mapping[str, Any]) -> Entry:
        """A draft read back; what it does not hold has its default, what is not known here is left out."""
        known = {
            name: str(payload.get(name) or "")
            for name in Entry.__dataclass_fields__
            if name not in ("placements", "started_at") and name in payload
        }
        placements = tuple(tuple(str(text) for text in one) for one in payload.get("placements") or ()) or (("",),)
        started = payload.get("started_at")
        return replace(
            Entry(), **known, placements=placements, started_at=datetime.fromisoformat(started) if started else None
        )

    @property
    def bench(self) -> Bench:
        """The names that make the series."""
        return Bench(self.probe, self.window, self.source, self.jig or None, self.collimator or None)

    def countings(self) -> tuple[tuple[Counting, ...], ...]:
        """Countings on the source by placement; boxes that are empty or unreadable (see ``problems``) are left out."""
        return tuple(
            tuple(one for text in placement if (one := _counting(text, self.time_s))) for placement in self.placements
        )

    def background_counting(self) -> Counting | None:
        """The background counting, None where there is none (yet)."""
        return _counting(self.background, self.background_time_s)

    def positioned(self, name: str) -> Counting | None:
        """The counting of ``below``, ``above`` or ``side``, None where there is none (yet)."""
        return _counting(getattr(self, name), self.time_s)

    def problems(self) -> list[str]:
        """What cannot be read, a sentence each; all at once."""
        said = []
        for name, text in (("Counting time", self.time_s), ("Background time", self.background_time_s)):
            if seconds(text) is None:
                said.append(f"{name}: `{text}` is not a number of seconds above 0.")
        boxes = [
            ("Background", self.background),
            ("Window below", self.below),
            ("Window above", self.above),
            ("Side", self.side),
        ]
        boxes += [(f"Placement {n}", text) for n, placement in enumerate(self.placements, 1) for text in placement]
        said += [
            f"{name}: `{text}` is not a whole number of counts."
            for name, text in boxes
            if text.strip() and whole(text) is None
        ]
        said += [
            f"{name.replace('_', ' ')}: `{getattr(self, name)}` is not a number."
            for name in CONDITIONS
            if getattr(self, name).strip() and number(getattr(self, name)) is None
        ]
        return said

    def rows(self) -> list[dict[str, Any]]:
        """The check as rows of the readings table, in the order of counting, one after the other from ``started_at``.

        Raises ValueError where nothing was counted or the time is not known.
        """
        if self.started_at is None:
            raise ValueError("a check needs the time at which it began")
        common = {
            "probe": self.probe,
            "window": self.window,
            "readout": self.readout or None,
            "collimator": self.collimator or None,
            "operator": self.by or None,
            "note": self.note.strip() or None,
            **{name: number(getattr(self, name)) for name in CONDITIONS},
        }
        on_source = {"source": self.source, "jig": self.jig or None}
        taken: list[tuple[str, Counting, dict[str, Any]]] = []
        if (background := self.background_counting()) is not None:
            taken.append(("background", background, {"repeat": 1, "reseated": False, "source": None, "jig": None}))
        repeat = 0
        for placement, countings in enumerate(one for one in self.countings() if one):
            for n, counting in enumerate(countings):
                repeat += 1
                taken.append(
                    ("source", counting, {**on_source, "repeat": repeat, "reseated": placement > 0 and n == 0})
                )
        for name, measurement in (("below", "window_below"), ("above", "window_above"), ("side", "side")):
            if (beside := self.positioned(name)) is not None:
                taken.append((measurement, beside, {**on_source, "repeat": 1, "reseated": False}))
        if not taken:
            raise ValueError("nothing was counted")
        rows, at = [], self.started_at
        for measurement, counting, own in taken:
            rows.append(
                {
                    **common,
                    **own,
                    "taken_at": at,
                    "measurement": measurement,
                    "counts": counting.counts,
                    "count_time_s": counting.time_s,
                }
            )
            at += timedelta(seconds=math.ceil(counting.time_s))
        return rows

    def over_by(self, now: datetime) -> Entry:
        """The same, begun early enough to be over by now, where it would else not be.

        Counts that are typed faster than they were counted, as from a slip of paper, would lie in the future. A begin that
        lies in the future itself is left as it is, to be refused.
        """
        last = self.rows()[-1]
        late = last["taken_at"] + timedelta(seconds=math.ceil(last["count_time_s"])) - now
        if self.started_at is None or self.started_at > now or late <= timedelta(0):
            return self
        return replace(self, started_at=(self.started_at - late).replace(microsecond=0))


def whole(text: str) -> int | None:
    """A count as typed, blanks between thousands allowed; None for anything else.

    >>> whole("20 050"), whole("12,5"), whole("-3"), whole("")
    (20050, None, None, None)
    """
    cleaned = text.strip().translate(_BLANKS)
    return int(cleaned) if _DIGITS.fullmatch(cleaned) else None


def number(text: str) -> float | None:
    """A number as typed, decimal point or comma; None for anything else, NaN and infinity included.

    >>> number("21,5"), number("nan")
    (21.5, None)
    """
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def seconds(text: str) -> float | None:
    """A counting time as typed; None unless it is above 0.

    >>> seconds("10"), seconds("0")
    (10.0, None)
    """
    value = number(text)
    return value if value is not None and value > 0 else None


def _counting(text: str, time_text: str) -> Counting | None:
    counts, time_s = whole(text), seconds(time_text)
    return Counting(counts, time_s) if counts is not None and time_s is not None else None
