"""``steadycount backup``: a verified copy, also while the store is in use."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, Config, Json, Store
from dashboard.commands.session import existing


def run(
    out: Annotated[Path, typer.Argument(metavar="FILE", help="The copy to write; it must not be there yet.")],
    store: Store = DEFAULT_STORE,
    config: Config = None,  # noqa: ARG001 - every command takes it
    as_json: Json = False,
) -> int:
    """Write a copy of the store and verify it; the store may be in use meanwhile. Never overwrites.

    Do not copy the store's file by hand: what was committed last may still lie beside it.

    \b
    Example:
      steadycount backup fleet-2024-03-31.duckdb --store fleet.duckdb
    """
    where = existing(store)

    from analytics.records.backup import backup
    from analytics.records.history import chain_head

    with output.working("Writing and verifying the copy"):
        backup(where, out)
        head = chain_head(out)
    if as_json:
        output.print_json({"backup": str(out), "history_head": head})
    else:
        output.note(f"{out} holds everything, verified. Head of its history: {head}")
    return 0
