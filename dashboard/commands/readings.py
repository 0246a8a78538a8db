"""How a command names readings: by id, or by probe, time, window and measurement."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analytics.errors import UserError

if TYPE_CHECKING:
    import pandas as pd

Probe = Annotated[str | None, typer.Option("--probe", metavar="ID", help="Readings of this probe.")]
TakenAt = Annotated[
    str | None, typer.Option("--taken-at", metavar="TIME", help="Taken at this time, to the second, or on this day.")
]
Window = Annotated[str | None, typer.Option("--window", metavar="NAME", help="In this window.")]
Measurement = Annotated[
    str | None, typer.Option("--measurement", metavar="KIND", help="Of this kind, such as source or background.")
]


def pick(
    store: Path,
    ids: list[int],
    probe: str | None,
    taken_at: str | None,
    window: str | None,
    measurement: str | None,
    time_zone: str,
) -> pd.DataFrame:
    """The readings meant; UserError where none is named or one is not there."""
    from analytics import moment
    from analytics.records.people import find_readings

    if ids:
        if probe or taken_at or window or measurement:
            raise UserError(
                "readings are named by id and by probe or time at once", where="readings", do="Name them one way."
            )
        found = find_readings(store)
        found = found[found["reading_id"].isin(ids)]
        missing = sorted(set(ids) - set(found["reading_id"]))
        if missing:
            raise UserError(
                f"there is no reading {missing[0]}",
                where=str(store),
                do="`steadycount exclude --probe ID --list` shows the readings of a probe.",
            )
        return found
    if probe is None:
        raise UserError("no reading is named", where="readings", do="Give ids, or --probe with --taken-at.")
    found = find_readings(store, probe=probe, window=window, measurement=measurement)
    if taken_at is not None:
        last = moment.parse(taken_at, time_zone, where="--taken-at")
        whole_day = len(taken_at.strip()) <= len("2024-03-31")
        first = last.replace(hour=0, minute=0, second=0, microsecond=0) if whole_day else last
        taken = found["taken_at"]
        found = (
            found[(taken >= first) & (taken <= last)]
            if whole_day
            else found[taken.dt.floor("s") == first.replace(microsecond=0)]
        )
    if found.empty:
        raise UserError(
            "no reading fits", where=f"probe {probe}", do="`--list` without a time shows all of the probe's."
        )
    return found
