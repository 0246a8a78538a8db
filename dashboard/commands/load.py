"""``steadycount load``: files in, all of them or none."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, By, Config, Json, Store
from dashboard.commands.session import settings_of


def run(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE…", help="CSV, XLSX or Parquet; any kinds of table, in any order.")
    ],
    column_map: Annotated[
        str | None,
        typer.Option("--map", metavar="NAME", help="Column map for other headings and units: its name or a TOML file."),
    ] = None,
    as_kind: Annotated[
        str | None,
        typer.Option(
            "--as", metavar="KIND", help="Take every file for this kind of table, such as readings or probes."
        ),
    ] = None,
    register_new: Annotated[
        bool, typer.Option("--register-new", help="Register probes that are not known instead of holding their rows.")
    ] = False,
    store: Store = DEFAULT_STORE,
    config: Config = None,
    by: By = "",
    as_json: Json = False,
) -> int:
    """Load log files and registries; the store is made if there is none.

    The kind of each table is told from its columns. A row is stored, skipped as already there, or held with its
    reason; nothing is dropped and nothing guessed. All files are one load, which can be undone.
    Ends with 3 where rows are held: see `steadycount held`.

    \b
    Example:
      steadycount load probes.csv sources.csv windows.csv readings.csv --store fleet.duckdb
    """
    from analytics.records.load import load_files

    time_zone = settings_of(store, config).site.time_zone if config is not None else None
    with output.progress("Reading") as progress:
        report = load_files(
            store,
            files,
            by=by,
            as_kind=as_kind,
            column_map=column_map,
            register_new=register_new,
            progress=progress,
            time_zone=time_zone,
            create=True,
        )
    if as_json:
        output.print_json(report.as_json())
    else:
        for sentence in report.sentences():
            output.note(sentence)
    return 3 if report.held_count else 0
