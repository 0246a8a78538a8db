"""The command of a site that is run when there is something new (setting ``alarms.on_new``)."""

from __future__ import annotations

import contextlib
import os
import shlex
import signal
import subprocess
from pathlib import Path

from dashboard.commands.output import note

LONGEST_S = 60.0


def tell(command: str, sentences: tuple[str, ...], store: Path, revision: int) -> None:
    """Run the site's command with one sentence a line on its standard input; a failure is said and changes nothing.

    The command line is split into words, and no shell reads it; nothing of the records stands in it. In its environment
    are STEADYCOUNT_STORE (the store's whole path) and STEADYCOUNT_REVISION. What it writes on standard output is dropped,
    since that belongs to the answer. After a minute it is ended, with all it has started.
    """
    if not command.strip():
        return
    try:
        words = shlex.split(command)
        process = subprocess.Popen(  # noqa: S603 - the site's own command, from its settings
            words,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            env={**os.environ, "STEADYCOUNT_STORE": str(store.absolute()), "STEADYCOUNT_REVISION": str(revision)},
            text=True,
            encoding="utf-8",
            start_new_session=True,
        )
    except (OSError, ValueError, IndexError) as error:
        note(f"The command of alarms.on_new could not be run: {error}")
        return
    try:
        # A name from the records may hold a line end; it must not become a sentence of its own.
        process.communicate("".join(f"{' '.join(one.split())}\n" for one in sentences), timeout=LONGEST_S)
    except subprocess.TimeoutExpired:
        _end(process)
        note(f"The command of alarms.on_new was ended: it had not finished after {LONGEST_S:g} s.")
        return
    if process.returncode != 0:
        note(f"The command of alarms.on_new ended with {process.returncode}.")


def _end(process: subprocess.Popen[str]) -> None:
    """End the command and whatever it has started."""
    with contextlib.suppress(OSError):
        if hasattr(os, "killpg"):
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    if process.stdin is not None:
        with contextlib.suppress(OSError):
            process.stdin.close()
    process.wait()
