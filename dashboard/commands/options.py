"""The options that many commands share, each declared once."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated

import typer

STORE_VARIABLE = "STEADYCOUNT_STORE"


def operating_system_user() -> str:
    """The name the operating system knows the person by; `unknown` where it knows none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"


def _person(given: str) -> str:
    return given.strip() or operating_system_user()


Store = Annotated[
    Path,
    typer.Option(
        "--store",
        envvar=STORE_VARIABLE,
        metavar="PATH",
        show_default=False,
        show_envvar=False,
        help=f"The store. [default: {STORE_VARIABLE}, else steadycount.duckdb in the working folder]",
    ),
]
DEFAULT_STORE = Path("steadycount.duckdb")

Config = Annotated[
    Path | None,
    typer.Option(
        "--config",
        metavar="DIR",
        show_default=False,
        help="Folder of *.toml settings, laid over the store's own for this run only.",
    ),
]
By = Annotated[
    str,
    typer.Option(
        "--by",
        metavar="NAME",
        callback=_person,
        show_default=False,
        help="Who does this; stands in the history. [default: the operating system's user]",
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document, and nothing else, on standard output.")]
Reason = Annotated[
    str, typer.Option("--reason", metavar="TEXT", show_default=False, help="Why; stands in the history.")
]
