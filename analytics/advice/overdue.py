"""Which checks are overdue, by the schedule that is set or by the cadence a probe has kept."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from analytics.baseline.rows import Ints
from analytics.settings import Settings

OWN_FACTOR, SET_FACTOR = 3.0, 1.5  # contract: three times the own median interval, one and a half times a set one
LEAST_DAYS = 3  # from which a probe has a cadence of its own
KIND_OF = {
    "source": "check",
    "background": "background",
    "window_below": "window check",
    "window_above": "window check",
    "side": "side reading",
}


@dataclass(frozen=True)
class Due:
    """One kind of check of one probe."""

    probe: str
    kind: str  # "check", "background", "window check", "side reading"
    last_on: date
    interval_days: float | None  # None: done on fewer than three days and no schedule set
    due_on: date | None
    overdue: bool
    overdue_from: date | None


def due_checks(readings: pd.DataFrame, settings: Settings, as_of: datetime) -> list[Due]:
    """Every kind of check each probe has ever had, with its last day, its interval, and whether it is overdue."""
    schedule = settings.schedule
    wanted_of = {"window check": schedule.window_check_days, "background": schedule.background_days}
    out: list[Due] = []
    for probe, kind, newest, own in _last_and_usual(readings):
        if kind == "check":
            wanted = schedule.check_days_by_probe.get(probe, schedule.check_days)
        else:
            wanted = wanted_of.get(kind)
        interval = wanted if wanted is not None else own
        last = date(1970, 1, 1) + timedelta(days=newest)
        if interval is None:
            out.append(Due(probe, kind, last, None, None, False, None))
            continue
        limit = interval * (SET_FACTOR if wanted is not None else OWN_FACTOR)
        late_from = last + timedelta(days=math.floor(limit) + 1)
        age = (as_of - datetime(last.year, last.month, last.day)).total_seconds() / 86400.0
        due_on = last + timedelta(days=round(interval))
        out.append(Due(probe, kind, last, interval, due_on, age > limit + 1.0, late_from))
    return out


def _last_and_usual(readings: pd.DataFrame) -> Iterator[tuple[str, str, int, float | None]]:
    """Probe, kind of check, its last day since 1970 and the median interval between its days; None on fewer than three.

    In the order of probes and kinds.
    """
    probe, probes = _coded(readings["probe"])
    measured, measurements = _coded(readings["measurement"])
    kinds = sorted(set(KIND_OF.values()))
    kind_of = np.array([kinds.index(KIND_OF[one]) if one in KIND_OF else -1 for one in (*measurements, "")])
    kind = kind_of[measured]
    at = readings["taken_at"].to_numpy()
    known = (probe >= 0) & (kind >= 0) & ~np.isnat(at)
    if not known.any():
        return
    day = at[known].astype("datetime64[D]").astype(np.int64)
    first, span = int(day.min()), int(np.ptp(day)) + 1
    # One number for (probe, kind, day): its distinct values in order are the days of every kind of check.
    days = np.sort((probe[known] * len(kinds) + kind[known]) * span + (day - first))
    days = days[np.append(True, np.diff(days) != 0)]
    check = days // span
    new = np.append(True, np.diff(check) != 0)
    starts, ends = np.flatnonzero(new), np.append(np.flatnonzero(new)[1:], len(days))
    gap = np.where(new, 0, np.diff(days, prepend=days[0]))  # the first day of each has none, and 0 sorts before all others
    ordered = np.sort(check * span + gap) - check * span
    between = ends - starts - 1
    usual = 0.5 * (ordered[starts + (between + 1) // 2] + ordered[np.minimum(starts + 1 + between // 2, ends - 1)])
    newest = days[ends - 1] % span + first
    for code, last, days_known, median in zip(
        check[starts].tolist(), newest.tolist(), (between + 1).tolist(), usual.tolist(), strict=True
    ):
        own = median if days_known >= LEAST_DAYS else None
        yield probes[code // len(kinds)], kinds[code % len(kinds)], last, own


def _coded(column: pd.Series) -> tuple[Ints, list[str]]:
    """Codes in the order of the names, −1 where there is none, and the names."""
    codes, names = pd.factorize(column.astype("category"), sort=True)
    return codes.astype(np.int64), [str(name) for name in names]
