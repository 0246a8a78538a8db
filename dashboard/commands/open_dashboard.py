"""``steadycount open``: the dashboard on a store."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.commands.options import DEFAULT_STORE, By, Config, Store
from dashboard.commands.session import existing, settings_of

Port = Annotated[
    int | None,
    typer.Option("--port", metavar="PORT", show_default=False, help="Port. [default: 8501, else a free one]"),
]
NoBrowser = Annotated[
    bool, typer.Option("--no-browser", help="Do not open a browser; the address is printed all the same.")
]


def run(
    port: Port = None,
    no_browser: NoBrowser = False,
    new: Annotated[bool, typer.Option("--new", help="Make an empty store first, if there is none.")] = False,
    store: Store = DEFAULT_STORE,
    config: Config = None,
    by: By = "",
) -> int:
    """Open the dashboard on a store; ends with Ctrl-C.

    It answers on this machine only, and asks nothing of the outside. One line with the address is printed as soon
    as it answers.

    \b
    Example:
      steadycount open --store fleet.duckdb
    """
    from dashboard.commands.serve import serve

    if new and not store.exists():
        from analytics.records.store import create

        create(store)
    where = existing(store)
    settings_of(where, config)  # what cannot be read is said now, not on the first page
    return serve(where, config=config, by=by, port=port, browser=not no_browser)
