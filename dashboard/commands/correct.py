"""``steadycount correct``: one value of a reading put right, the old one kept in the history."""

from __future__ import annotations

from typing import Annotated

import typer

from analytics.errors import UserError
from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, By, Config, Json, Reason, Store
from dashboard.commands.readings import Measurement, Probe, TakenAt, Window, pick
from dashboard.commands.session import existing, settings_of


def run(
    change: Annotated[str, typer.Argument(metavar="COLUMN=VALUE", help="What is right, such as counts=5012.")],
    reading: Annotated[int | None, typer.Argument(metavar="[READING]", help="Id of the reading.")] = None,
    probe: Probe = None,
    taken_at: TakenAt = None,
    window: Window = None,
    measurement: Measurement = None,
    reason: Reason = "",
    store: Store = DEFAULT_STORE,
    config: Config = None,
    by: By = "",
    as_json: Json = False,
) -> int:
    """Put one value of one reading right. The old value, who changed it, when and why stay in the history.

    \b
    Examples:
      steadycount correct counts=5012 1207 --reason "a digit was dropped" --store fleet.duckdb
      steadycount correct counts=5012 --probe GP-001 --taken-at 2024-03-31T08:15:00 --measurement source \\
        --reason "a digit was dropped" --store fleet.duckdb
    """
    where = existing(store)

    from analytics.records.people import correct

    column, equals, value = change.partition("=")
    if not equals or not column.strip():
        raise UserError(f"`{change}` does not say what is right", where="correct", do="Write it as counts=5012.")
    if not reason.strip():
        raise UserError("no reason is given", where="--reason", do="Say why; it stands in the history.")
    time_zone = settings_of(where, config).site.time_zone
    chosen = pick(where, [] if reading is None else [reading], probe, taken_at, window, measurement, time_zone)
    if len(chosen) != 1:
        ids = ", ".join(str(one) for one in chosen["reading_id"][:5])
        raise UserError(
            f"{len(chosen)} readings fit ({ids}{', …' if len(chosen) > 5 else ''})",
            where="correct",
            do="Name one by its id, or say its window and measurement too.",
        )
    row = chosen.iloc[0]
    old = row[column.strip()] if column.strip() in chosen else None
    correct(where, int(row["reading_id"]), column.strip(), value.strip(), by=by, reason=reason)
    if as_json:
        output.print_json(
            {"reading": int(row["reading_id"]), "column": column.strip(), "old": old, "new": value.strip()}
        )
    else:
        output.note(f"Reading {row['reading_id']}: {column.strip()} is {value.strip()} now; it was {old}.")
    return 0
