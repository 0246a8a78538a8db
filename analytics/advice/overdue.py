"""Which checks are overdue, by the schedule that is set or by the cadence a probe has kept."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from analytics.settings import Settings

OWN_FACTOR, SET_FACTOR = 3.0, 1.5  # contract: three times the own median interval, one and a half times a set one
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
    if len(readings) == 0:
        return []
    days = readings["taken_at"].to_numpy().astype("datetime64[D]").astype(np.int64)
    kinds = readings["measurement"].astype(object).map(KIND_OF)
    table = pd.DataFrame({"probe": readings["probe"].astype(object).to_numpy(), "kind": kinds.to_numpy(), "day": days})
    table = table.dropna().drop_duplicates().sort_values(["probe", "kind", "day"], kind="stable")
    out: list[Due] = []
    for (probe, kind), part in table.groupby(["probe", "kind"], sort=True):
        on = part["day"].to_numpy()
        own = float(np.median(np.diff(on))) if len(on) >= 3 else None
        wanted = {
            "check": settings.schedule.check_days_by_probe.get(str(probe), settings.schedule.check_days),
            "window check": settings.schedule.window_check_days,
            "background": settings.schedule.background_days,
        }.get(str(kind))
        interval = wanted if wanted is not None else own
        last = date(1970, 1, 1) + timedelta(days=int(on[-1]))
        if interval is None:
            out.append(Due(str(probe), str(kind), last, None, None, False, None))
            continue
        limit = interval * (SET_FACTOR if wanted is not None else OWN_FACTOR)
        late_from = last + timedelta(days=int(np.floor(limit)) + 1)
        age = (as_of - datetime(last.year, last.month, last.day)).total_seconds() / 86400.0
        out.append(
            Due(
                str(probe),
                str(kind),
                last,
                interval,
                last + timedelta(days=round(interval)),
                age > limit + 1.0,
                late_from,
            )
        )
    return out
