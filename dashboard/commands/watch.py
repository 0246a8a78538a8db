"""``steadycount watch``: a folder whose files load themselves."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Annotated, Any

import typer

from analytics.errors import UnavailableError, UserError
from dashboard.commands import failures, output
from dashboard.commands.options import DEFAULT_STORE, By, Config, Json, Store
from dashboard.commands.session import existing, settings_of


def run(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the files appear.")],
    once: Annotated[bool, typer.Option("--once", help="Take what is there now, and end; for a scheduler.")] = False,
    interval: Annotated[
        float,
        typer.Option(
            "--interval", metavar="SECONDS", help="Between two looks; a file that both find the same is taken."
        ),
    ] = 5.0,
    column_map: Annotated[
        str | None,
        typer.Option("--map", metavar="NAME", help="Column map for other headings and units: its name or a TOML file."),
    ] = None,
    register_new: Annotated[
        bool, typer.Option("--register-new", help="Register probes that are not known instead of holding their rows.")
    ] = False,
    store: Store = DEFAULT_STORE,
    config: Config = None,
    by: By = "",
    as_json: Json = False,
) -> int:
    """Load what appears in a folder, and move it to `done` or, with anything held, to `held`; ends with Ctrl-C.

    A report lies beside each moved file. A file is taken once it has stopped growing, and is one load, which can be
    undone. Links, hidden files and folders in the folder are left alone. Stopped or killed at any moment, it goes on
    where it was: nothing is lost, and nothing is stored twice.
    With --once it ends with 3 where anything was held.

    \b
    Examples:
      steadycount watch /data/probe-logs --store fleet.duckdb
      steadycount watch /data/probe-logs --once --store fleet.duckdb
    """
    from analytics.records.saved_maps import find_map
    from analytics.records.watched import HELD, How, watched

    if not 0.05 <= interval <= 86_400:
        raise UserError(f"{interval:g} is no interval", where="--interval", do="Give 0.05 to 86400 seconds.")
    existing(store)
    find_map(store, column_map)  # what cannot be used is said now, not at the first file
    time_zone = settings_of(store, config).site.time_zone if config is not None else None
    how = How(by, column_map, register_new, time_zone)
    taken: list[Any] = []
    with watched(folder, store) as place, _stopping() as stop:
        if not once:
            output.note(f"Watching {place.folder}; Ctrl-C ends it.")
        _look(store, place, how, taken, stop)
        while not stop.wait(interval):
            _look(store, place, how, taken, stop)
            if once:
                break
        if once and (growing := place.still_growing()):
            output.note(f"Left for the next time, not finished or in the way: {', '.join(growing)}.")
    if as_json:
        output.print_json({"files": [one.as_json() for one in taken]})
    return 3 if once and any(one.outcome == HELD for one in taken) else 0


def _look(store: Path, place: Any, how: Any, taken: list[Any], stop: threading.Event) -> None:
    """One look at the folder: what is ready is taken; a store that cannot serve now is said, and tried again."""
    from analytics.records.watched import take_all

    try:
        ready, told = place.look()
        for sentence in told:
            output.note(sentence)
        for one in take_all(store, place, ready, how, failures.one_line):
            taken.append(one)
            counts = "; ".join(one.report.sentences()) if one.report else one.said
            output.note(f"{one.outcome}: {counts}")
            if stop.is_set():
                break
    except UnavailableError as error:
        output.note(f"{error} Tried again at the next look.")


@contextmanager
def _stopping() -> Iterator[threading.Event]:
    """An event that Ctrl-C or a service's stop sets, so that the file at hand is finished first; twice ends at once."""
    stop = threading.Event()

    def asked(_number: int, _frame: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    if threading.current_thread() is not threading.main_thread():
        yield stop  # signals reach the main thread alone
        return
    before = {one: signal.signal(one, asked) for one in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)
