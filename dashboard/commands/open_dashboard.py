"""``steadycount open``: the dashboard on a store."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analytics.errors import UserError
from dashboard.commands.options import DEFAULT_STORE, By, Config, Store
from dashboard.commands.session import existing, settings_of

if TYPE_CHECKING:
    from dashboard.commands.serve import Door

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
    oidc: Annotated[
        Path | None,
        typer.Option(
            "--sign-in", metavar="FILE", show_default=False, help="People sign in by OpenID Connect; FILE has [auth]."
        ),
    ] = None,
    header: Annotated[
        str | None,
        typer.Option(
            "--trusted-header",
            metavar="NAME",
            show_default=False,
            help="A proxy in front signs people in, and says who it is in this header.",
        ),
    ] = None,
    host: Annotated[
        str | None,
        typer.Option("--host", metavar="NAME", show_default=False, help="Name that browsers know the proxy by."),
    ] = None,
    store: Store = DEFAULT_STORE,
    config: Config = None,
    by: By = "",
) -> int:
    """Open the dashboard on a store; ends with Ctrl-C.

    It answers on this machine only, and asks nothing of the outside. One line with the address is printed as soon
    as it answers. Where more people than one shall use it, give each a role on its page People first, then open it
    with --sign-in or --trusted-header; it goes on answering on this machine only, behind your proxy.

    \b
    Examples:
      steadycount open --store fleet.duckdb
      steadycount open --store fleet.duckdb --sign-in auth.toml --host checks.example.org
    """
    from dashboard.commands.serve import Door, serve

    if new and not store.exists():
        from analytics.records.store import create

        create(store)
    where = existing(store)
    door = Door(oidc, header, host)
    if oidc is not None or header is not None:
        _refuse_no_door(where, door)
    settings_of(where, config)  # what cannot be read is said now, not on the first page
    return serve(where, config=config, by=by, port=port, browser=not no_browser, door=door)


def _refuse_no_door(store: Path, door: Door) -> None:
    """UserError where people could not sign in, or nobody could let them in."""
    from importlib.util import find_spec

    from analytics.records.access import people

    if door.oidc is not None and door.header is not None:
        raise UserError("there are two ways to sign in", where="--sign-in, --trusted-header", do="Choose one.")
    if door.oidc is not None:
        if find_spec("authlib") is None or find_spec("httpx") is None:
            raise UserError("signing in needs the extra `login`", where="--sign-in", do="Install steadycount[login].")
        try:
            content = tomllib.loads(door.oidc.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise UserError(f"the file cannot be read ({error})", where=str(door.oidc), do="Check it.") from error
        needed = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
        if missing := [one for one in needed if not content.get("auth", {}).get(one)]:
            raise UserError(
                f"[auth] lacks {', '.join(missing)}", where=str(door.oidc), do="Your identity provider gives them."
            )
    if door.header is not None and not re.fullmatch(r"[A-Za-z0-9-]{1,80}", door.header):
        raise UserError(f"`{door.header}` is no name of a header", where="--trusted-header", do="Such as X-Remote-User.")
    if people(store).empty:
        raise UserError(
            "nobody has a role yet, so nobody could come in",
            where=str(store),
            do="Open it without signing in, and give roles on the page People.",
        )
