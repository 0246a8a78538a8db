"""``steadycount demo``: an invented fleet in a store of its own, and the dashboard on it."""

from __future__ import annotations

import tempfile
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated

import typer

from analytics.errors import UserError
from dashboard.commands import output
from dashboard.commands.open_dashboard import NoBrowser, Port
from dashboard.commands.options import STORE_VARIABLE, By, Config
from dashboard.commands.session import as_of, settings_of

BY_DEMO = "demo"  # every load of the demo is written under this name; a store with any other is not the demo's
DEMO_STORE = Path("steadycount-demo.duckdb")

DemoStore = Annotated[
    Path,
    typer.Option(
        "--store",
        envvar=STORE_VARIABLE,
        metavar="PATH",
        show_default=False,
        show_envvar=False,
        help=f"A store for the demo alone. [default: {STORE_VARIABLE}, else {DEMO_STORE} in the working folder]",
    ),
]


def run(
    port: Port = None,
    no_browser: NoBrowser = False,
    only_load: Annotated[
        bool, typer.Option("--only-load", help="Make the store and stop; do not open the dashboard.")
    ] = False,
    store: DemoStore = DEMO_STORE,
    config: Config = None,
    by: By = "",
) -> int:
    """Make an invented fleet, ending yesterday, in a store of its own, and open the dashboard on it.

    The hospitals, probes and faults are made up; data_demo/README.md says what they are. A store that
    holds anything else is refused. A demo store of an earlier day is made anew, so that the fleet ends yesterday.

    \b
    Example:
      steadycount demo
    """
    settings = settings_of(None, config)
    yesterday = as_of(None, settings).date() - timedelta(days=1)
    if store.exists():
        _refuse_what_is_not_the_demo(store)
    if not store.exists() or _newest_day(store) != yesterday:
        _make(store, yesterday)
    if only_load:
        typer.echo(str(store))
        return 0
    from dashboard.commands.serve import serve

    return serve(store, config=config, by=by, port=port, browser=not no_browser)


def _refuse_what_is_not_the_demo(store: Path) -> None:
    from analytics.records.store import holds_only, is_empty

    if not (is_empty(store) or holds_only(store, by=BY_DEMO)):
        raise UserError(
            "this store holds something else than the demo",
            where=str(store),
            do=f"Open it with `steadycount open --store {store}`, or name another file for the demo with --store.",
        )


def _newest_day(store: Path) -> date | None:
    """The last day with a reading in a demo store; None where it holds none."""
    from analytics.records.reader import snapshot

    taken = snapshot(store).readings["taken_at"]
    return taken.max().date() if len(taken) else None


def _make(store: Path, ending: date) -> None:
    """Make the demo's store beside its place and put it there when it is whole."""
    from analytics.records.load import load_files
    from analytics.simulate import write_csv
    from analytics.simulate.demo import demo_tables

    try:
        store.parent.mkdir(parents=True, exist_ok=True)
        folder = tempfile.TemporaryDirectory(prefix=".steadycount-demo-", dir=store.parent)
    except OSError as error:
        raise UserError(
            f"the folder cannot be written to ({error.strerror})",
            where=str(store.parent),
            do="Go to a folder you may write to, or name a file in one with --store.",
        ) from error
    with folder as name, output.progress("Making the demo fleet") as progress:
        progress("Making the demo fleet", 0.0)
        files = write_csv(demo_tables(ending), Path(name))
        made = Path(name) / "demo.duckdb"
        load_files(made, files, by=BY_DEMO, progress=progress, create=True)
        _put(made, store)
    output.note(f"The demo fleet, ending {ending}, is in {store}.")


def _put(made: Path, store: Path) -> None:
    """Put a store where an earlier demo store was, or none, while nobody has that one open."""
    from analytics.records.lease import lease

    with lease(store, exclusive=True, purpose="making the demo anew"):
        for beside in (".wal", ".rev"):
            store.with_name(store.name + beside).unlink(missing_ok=True)
        for part in (".wal", ".rev", ""):
            piece = made.with_name(made.name + part)
            if piece.exists():
                piece.replace(store.with_name(store.name + part))
