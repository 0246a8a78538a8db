"""``steadycount undo``: a load taken back, so that the same file loads anew."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, By, Config, Json, Reason, Store
from dashboard.commands.session import existing


def run(
    load: Annotated[
        int | None, typer.Argument(metavar="LOAD", help="Number of the load; without it, the loads are listed.")
    ] = None,
    reason: Reason = "",
    store: Store = DEFAULT_STORE,
    config: Config = None,  # noqa: ARG001 - every command takes it
    by: By = "",
    as_json: Json = False,
) -> int:
    """Take back a load: its rows leave the analysis, and the same file then loads anew. The history keeps both.

    \b
    Example:
      steadycount undo 3 --reason "wrong clinic's log" --store fleet.duckdb
    """
    where = existing(store)

    from analytics.records.undo import loads, undo

    if load is None:
        table = loads(where)
        if as_json:
            output.print_json({"loads": output.records(table)})
        else:
            output.print_frame(table)
        return 0
    rows = undo(where, load, by=by, reason=reason)
    if as_json:
        output.print_json({"load": load, "rows": rows})
    else:
        output.note(f"Load {load} is undone: {rows} {'row was' if rows == 1 else 'rows were'} taken back.")
    return 0
