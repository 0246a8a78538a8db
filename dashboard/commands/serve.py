"""The dashboard served from this process, told where its store is by the environment."""

from __future__ import annotations

import os
import socket
import sys
import threading
import time
import urllib.error
import urllib.request
import webbrowser
from pathlib import Path

import typer

from analytics.errors import UserError
from dashboard.commands.output import note

ADDRESS = "127.0.0.1"
USUAL_PORT = 8501
LONGEST_START_S = 120.0


def serve(store: Path, *, config: Path | None, by: str, port: int | None, browser: bool) -> int:
    """Serve the dashboard until Ctrl-C; one line with its address goes to standard output as soon as it answers."""
    chosen = free_port(port)
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
