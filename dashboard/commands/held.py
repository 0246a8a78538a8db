"""``steadycount held``: the rows that were not taken, why, and how they get in after all."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from analytics.errors import UserError
from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, By, Config, Json, Reason, Store
from dashboard.commands.session import existing


class Action(StrEnum):
    """What is done with held rows."""

    LIST = "list"
    EXPORT = "export"
    RELEASE = "release"
    DISCARD = "discard"


def run(
    action: Annotated[Action, typer.Argument(help="What to do with them.", show_default=True)] = Action.LIST,
    targets: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[FILE | ID…]", help="export: the file to write. release: ids, or an exported file that was mended."
        ),
    ] = None,
    load: Annotated[int | None, typer.Option("--load", metavar="LOAD", help="Only the rows of this load.")] = None,
    register_new: Annotated[
        bool, typer.Option("--register-new", help="Release: register probes that are not known.")
    ] = False,
    accept_names: Annotated[
        bool, typer.Option("--accept-names", help="Release: a name close to a known one is really a new one.")
    ] = False,
    accept_changes: Annotated[
        bool,
        typer.Option(
            "--accept-changes", help="Release: take the new numbers of a conflict; the old stay in the history."
        ),
    ] = False,
    reason: Reason = "",
    store: Store = DEFAULT_STORE,
    config: Config = None,  # noqa: ARG001 - every command takes it
    by: By = "",
    as_json: Json = False,
) -> int:
    """List held rows, export them with their reasons, release them once the cause is mended, or discard them.

    Ends with 3 while a release leaves rows held.

    \b
    Examples:
      steadycount held --store fleet.duckdb
      steadycount held export held.csv --store fleet.duckdb
      steadycount held release held.csv --store fleet.duckdb
      steadycount held release 4 5 --register-new --store fleet.duckdb
      steadycount held discard 6 --reason "demonstration reading" --store fleet.duckdb
    """
    where = existing(store)

    given = list(targets or [])
    if action is Action.LIST:
        return _list(where, load, as_json)
    if action is Action.EXPORT:
        return _export(where, given, load, as_json)
    if action is Action.DISCARD:
        return _discard(where, given, by, reason, as_json)
    from analytics.records.held import release_file, release_held

    how: dict[str, Any] = {
        "by": by,
        "register_new": register_new,
        "accept_names": accept_names,
        "accept_changes": accept_changes,
        "reason": reason,
    }
    if len(given) == 1 and not given[0].isdecimal():
        report = release_file(where, Path(given[0]), **how)
    else:
        report = release_held(where, _ids(given, "release"), **how)
    if as_json:
        output.print_json(report.as_json())
    else:
        for sentence in report.sentences():
            output.note(sentence)
    return 3 if report.held_count else 0


def _list(store: Path, load: int | None, as_json: bool) -> int:
    from analytics.records.held import held

    rows = held(store, load=load)
    if as_json:
        output.print_json({"held": output.records(rows)})
    elif rows.empty:
        output.note("No rows are held.")
    else:
        output.print_frame(rows.drop(columns=["cells"], errors="ignore"))
    return 0


def _export(store: Path, given: list[str], load: int | None, as_json: bool) -> int:
    from analytics.records.held import export_held

    if len(given) != 1:
        raise UserError("it is not clear which file to write", where="held export", do="Name one, such as held.csv.")
    count = export_held(store, Path(given[0]), load=load)
    if as_json:
        output.print_json({"file": given[0], "rows": count})
    else:
        output.note(
            f"{count} held {'row' if count == 1 else 'rows'} written to {given[0]}. "
            f"Mend them there, then `steadycount held release {given[0]}`."
        )
    return 0


def _discard(store: Path, given: list[str], by: str, reason: str, as_json: bool) -> int:
    from analytics.records.held import discard_held

    count = discard_held(store, _ids(given, "discard"), by=by, reason=reason)
    if as_json:
        output.print_json({"discarded": count})
    else:
        output.note(
            f"{count} held {'row is' if count == 1 else 'rows are'} closed without being loaded; "
            "the history keeps them."
        )
    return 0


def _ids(given: list[str], action: str) -> list[int]:
    wrong = [one for one in given if not one.isdecimal()]
    if wrong or not given:
        seen = f"`{wrong[0]}` is no id of a held row" if wrong else "no held row is named"
        raise UserError(seen, where=f"held {action}", do="`steadycount held` lists the rows with their ids.")
    return [int(one) for one in given]
