"""The command of a site that is run when there is something new (setting ``alarms.on_new``)."""

from __future__ import annotations

import os
import shlex
import subprocess
from pathlib import Path

from dashboard.commands.output import note

LONGEST_S = 60.0


def tell(command: str, sentences: tuple[str, ...], store: Path) -> None:
    """Run the site's command with one sentence a line on its standard input; a failure is said and changes nothing.

    The command line is split into words, and no shell reads it.
    """
    if not command.strip():
        return
    try:
        words = shlex.split(command)
        done = subprocess.run(  # noqa: S603 - the site's own command, from its settings
            words,
            input="\n".join(sentences) + "\n",
            env={**os.environ, "STEADYCOUNT_STORE": str(store.absolute())},
            text=True,
            stdout=subprocess.DEVNULL,
            timeout=LONGEST_S,
            check=False,
        )
    except (OSError, ValueError, subprocess.TimeoutExpired) as error:
        note(f"The command of alarms.on_new could not be run: {error}")
        return
    if done.returncode != 0:
        note(f"The command of alarms.on_new ended with {done.returncode}.")
