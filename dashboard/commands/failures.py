"""What is said when the tool itself failed, and the log that holds the rest."""

from __future__ import annotations

import errno
import os
import tempfile
import traceback
from datetime import datetime
from pathlib import Path

from analytics import __version__

LOG = "STEADYCOUNT_LOG"  # file that failures are written to, optional


def log_path() -> Path:
    """The log: ``STEADYCOUNT_LOG``, else ``steadycount/failures.log`` in the person's own folder for such things."""
    named = os.environ.get(LOG)
    if named:
        return Path(named)
    state = os.environ.get("XDG_STATE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(state) if state else Path.home() / ".local" / "state") / "steadycount" / "failures.log"


def one_line(error: BaseException) -> str:
    """One line that names the failure and says where the log is; the traceback goes to the log."""
    head = f"the tool failed ({type(error).__name__}: {error})"
    if isinstance(error, OSError) and error.errno == errno.ENOSPC:
        head = "the disk is full; what was not finished has not been stored"
    where = _write(error)
    return f"{head}. The log is {where}." if where else f"{head}. No log could be written."


def _write(error: BaseException) -> Path | None:
    text = "".join(traceback.format_exception(error))
    for path in (log_path, lambda: Path(tempfile.gettempdir()) / "steadycount-failures.log"):
        try:
            where = path()
            where.parent.mkdir(parents=True, exist_ok=True)
            with where.open("a", encoding="utf-8") as log:
                log.write(f"--- {datetime.now().isoformat(timespec='seconds')} steadycount {__version__}\n{text}\n")
        except (OSError, RuntimeError):
            continue
        return where
    return None
