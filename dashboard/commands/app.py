"""The command ``steadycount``: which commands there are, in the order a person meets them."""

from __future__ import annotations

import atexit
import gc
import io
import sys
from collections.abc import Callable

import typer

from analytics import __version__
from dashboard.commands import (
    assess,
    backup,
    check_store,
    correct,
    demo,
    design,
    exclude,
    export,
    held,
    load,
    open_dashboard,
    plan,
    replay,
    report,
    restore,
    undo,
    watch,
)
from dashboard.commands.group import Commands

app = typer.Typer(
    name="steadycount",
    cls=Commands,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

# name: what runs, and what stands beside it in the list of commands
COMMANDS: dict[str, tuple[Callable[..., int], str]] = {
    "demo": (demo.run, "An invented fleet in a store of its own, and the dashboard on it."),
    "open": (open_dashboard.run, "The dashboard on a store."),
    "load": (load.run, "Log files and registries into a store."),
    "held": (held.run, "Rows that were not taken: list, export, release, discard."),
    "undo": (undo.run, "A load taken back."),
    "exclude": (exclude.run, "A reading hidden from the analysis, with a reason."),
    "correct": (correct.run, "One value of a reading put right."),
    "watch": (watch.run, "A folder whose files load themselves."),
    "assess": (assess.run, "Which probes are fit, which drift, why, what to do."),
    "plan": (plan.run, "What to pull in, where and when."),
    "report": (report.run, "The answer on paper, as a workbook, a table or a picture."),
    "replay": (replay.run, "What would have been said each month, and what came of it."),
    "design": (design.run, "How often a chart is wrong, and how late it is."),
    "export": (export.run, "The records as Parquet, readings by site."),
    "check-store": (check_store.run, "Is what the store holds still what was put in?"),
    "backup": (backup.run, "A verified copy, also while in use."),
    "restore": (restore.run, "A store made from a backup."),
}


@app.callback(invoke_without_command=True)
def steadycount(
    context: typer.Context,
    version: bool = typer.Option(False, "--version", is_eager=True, help="Print the version and stop."),
) -> None:
    """Turn constancy checks of surgical gamma probes into answers: fit, drifting, why, and what to do.

    \b
    Look around:    steadycount demo
    Your own log:   steadycount load *.csv --store fleet.duckdb
                    steadycount open --store fleet.duckdb

    Options stand after the command. Ends with 0: all well; 1: the tool failed; 2: the command or a file could not
    be understood; 3: done, and some rows are held; 4: there is something new (assess --new-since).
    """
    if version:
        typer.echo(f"steadycount {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


for _name, (_run, _short) in COMMANDS.items():
    _register: Callable[[Callable[..., int]], Callable[..., int]] = app.command(_name, short_help=_short)
    _register(_run)


def main() -> None:
    """Entry point of the console script."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without × or – shows ? and not a failure
    # At the end of the process all that is left is thrown away at once: looking it through for garbage first took half a second
    # after an answer of a million readings.
    atexit.register(gc.freeze)
    app(prog_name="steadycount")
