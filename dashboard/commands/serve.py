"""The dashboard served from this process, told where its store is by the environment."""

from __future__ import annotations

import json
import os
import socket
import sys
import threading
import time
import urllib.error
import urllib.request
import webbrowser
from dataclasses import dataclass
from pathlib import Path

import typer

from analytics.errors import UserError
from dashboard.commands.output import note

ADDRESS = "127.0.0.1"
USUAL_PORT = 8501
LONGEST_START_S = 120.0
PROXY_HEADER = "X-Steadycount-Proxy"  # in which a proxy proves itself, where STEADYCOUNT_PROXY_SECRET is set
USER_KEY, SECRET_KEY = "remote_user", "proxy_secret"


@dataclass(frozen=True)
class Door:
    """How people sign in where there are more than one; nothing of it: one person, on this machine.

    oidc: a TOML file with Streamlit's section [auth]. header: in which a proxy says who it is. host: the name that
    browsers know the dashboard by, where a proxy in front has another than this machine's.
    """

    oidc: Path | None = None
    header: str | None = None
    host: str | None = None

    def arguments(self) -> list[str]:
        """What Streamlit's own command line has to be told."""
        told: list[str] = []
        if self.oidc is not None:
            told += ["--secrets.files", str(self.oidc.absolute())]
        if self.header is not None:
            told += ["--server.trustedUserHeaders", json.dumps({self.header: USER_KEY, PROXY_HEADER: SECRET_KEY})]
        if self.host is not None:
            for one in (ADDRESS, "localhost", self.host):
                told += ["--server.allowedHosts", one]
        return told


def serve(
    store: Path, *, config: Path | None, by: str, port: int | None, browser: bool, door: Door = Door()
) -> int:
    """Serve the dashboard until Ctrl-C; one line with its address goes to standard output as soon as it answers."""
    chosen = free_port(port)
    os.environ["STEADYCOUNT_LOGIN"] = "oidc" if door.oidc is not None else "header" if door.header is not None else ""
    os.environ["STEADYCOUNT_STORE"] = str(store.absolute())
    os.environ["STEADYCOUNT_BY"] = by
    if config is not None:
        os.environ["STEADYCOUNT_CONFIG"] = str(config.absolute())
    else:
        os.environ.pop("STEADYCOUNT_CONFIG", None)
    address = f"http://{ADDRESS}:{chosen}"
    threading.Thread(target=_say_when_it_answers, args=(address, browser), daemon=True).start()

    from streamlit.web import cli

    app = Path(__file__).parent.parent / "app.py"
    sys.argv = [
        "streamlit",
        "run",
        str(app),
        "--server.port",
        str(chosen),
        "--server.address",
        ADDRESS,
        "--server.headless",
        "true",
        "--browser.gatherUsageStats",
        "false",
        *door.arguments(),
    ]
    try:
        cli.main(standalone_mode=False)
    except KeyboardInterrupt:
        pass
    except RuntimeError as end:
        if type(end).__name__ != "Abort":  # what Streamlit's own command line makes of Ctrl-C
            raise
    note("The dashboard is closed.")
    return 0


def free_port(asked: int | None) -> int:
    """The port asked for, else the usual one, else any free one. UserError where the one asked for is taken."""
    if asked is not None and not 0 <= asked <= 65535:
        raise UserError(f"{asked} is no port", where="--port", do="Give one from 1 to 65535, or 0 for any free one.")
    for port in (asked,) if asked is not None else (USUAL_PORT, 0):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trial:
            if os.name != "nt":
                trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                trial.bind((ADDRESS, port))
            except OSError:
                continue
            return int(trial.getsockname()[1])
    raise UserError(f"port {asked} is taken or not allowed", where="--port", do="Give another, or leave it out.")


def _say_when_it_answers(address: str, browser: bool) -> None:
    end = time.monotonic() + LONGEST_START_S
    while time.monotonic() < end:
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2) as answer:  # noqa: S310 - our own address
                if answer.status == 200:
                    break
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    else:
        note(f"The dashboard has not answered at {address} for {LONGEST_START_S:.0f} s.")
        return
    typer.echo(address)
    sys.stdout.flush()
    if browser:
        webbrowser.open(address)
