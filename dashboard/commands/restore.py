"""``steadycount restore``: a store made from a backup."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from analytics.errors import UserError
from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, Config, Json, Store


def run(
    backup_file: Annotated[Path, typer.Argument(metavar="BACKUP", help="A file that `steadycount backup` wrote.")],
    store: Store = DEFAULT_STORE,
    config: Config = None,  # noqa: ARG001 - every command takes it
    as_json: Json = False,
) -> int:
    """Make a store from a backup and verify it by count and chain. Never overwrites: --store names a new file.

    \b
    Example:
      steadycount restore fleet-2024-03-31.duckdb --store fleet-restored.duckdb
    """
    from analytics.records.backup import restore
    from analytics.records.history import chain_head

    if not backup_file.is_file():
        raise UserError(
            "there is no such file", where=str(backup_file), do="Name a file that `steadycount backup` wrote."
        )
    with output.working("Restoring and verifying"):
        restore(backup_file, store)
        head = chain_head(store)
    if as_json:
        output.print_json({"store": str(store), "history_head": head})
    else:
        output.note(f"{store} is restored from {backup_file}, verified. Head of its history: {head}")
    return 0
