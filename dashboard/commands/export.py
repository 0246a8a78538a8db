"""``steadycount export``: the records as Parquet, readings by site."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from analytics.errors import UserError
from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, By, Config, Json, Store
from dashboard.commands.session import as_of, existing, settings_of


def run(
    out: Annotated[
        Path,
        typer.Option("--out", metavar="FOLDER", show_default=False, help="Folder to make; it must not hold anything yet."),
    ],
    store: Store = DEFAULT_STORE,
    config: Config = None,
    by: By = "",
    as_json: Json = False,
) -> int:
    """Write the records as Parquet: readings in one folder a site, each registry a file, all of one revision.

    The folder is there as a whole or not at all. Revision, version and the head of the history stand in the metadata
    of each file and in manifest.json. Loaded into a new store, the files give the same answer. Decisions, exclusions
    and the history lie in people/ and are not loaded: a store as it is, is copied by `backup`.

    \b
    Examples:
      steadycount export --out fleet-parquet --store fleet.duckdb
      steadycount load fleet-parquet/*.parquet fleet-parquet/readings/*/*.parquet --store copy.duckdb
    """
    where = existing(store)
    _free(out)

    from analytics.records.export import export

    now = as_of(None, settings_of(where, config))
    try:
        draft = Path(tempfile.mkdtemp(prefix=f".{out.name[:40]}.", suffix=".part", dir=out.parent))
    except OSError as error:
        raise UserError(
            f"the folder cannot be written to ({error.strerror})", where=str(out.parent), do="Name a folder in another."
        ) from error
    try:
        with output.progress("Reading the records") as tell:
            made = export(where, draft, by=by, at=now, progress=tell)
        draft.chmod(0o755)
        _free(out)
        if out.is_dir():
            out.rmdir()
        draft.rename(out)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    for one in made.notes:
        output.note(one)
    if as_json:
        files = [{"file": name, "kind": kind, "rows": rows} for name, kind, rows in made.files]
        output.print_json({"export": str(out), "revision": made.revision, "files": files, "notes": list(made.notes)})
        return 0
    readings = [rows for _, kind, rows in made.files if kind == "readings"]
    output.note(f"{out} holds {sum(readings)} readings in {len(readings)} files and the registries, revision {made.revision}.")
    return 0


def _free(out: Path) -> None:
    """UserError where the folder holds something, is a file, or has no place to be."""
    if out.is_dir() and any(out.iterdir()):
        raise UserError("the folder is not empty", where=str(out), do="Name a new one; nothing is overwritten.")
    if out.exists() and not out.is_dir():
        raise UserError("this is a file", where=str(out), do="Name a folder.")
    if not out.parent.is_dir():
        raise UserError("there is no such folder", where=str(out.parent), do="Make it first.")
