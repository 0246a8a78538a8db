"""The small file beside the store that tells its revisions without opening it.

It holds the two revisions (``store.Revisions``) and the size and time stamp of the store file it speaks of. Where these no longer fit (a write was
killed, the store was copied or replaced), it is not believed and the store itself is asked.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from pathlib import Path


def sidecar_path(store: Path) -> Path:
    """The revision's file, beside the store."""
    return store.with_name(store.name + ".rev")


def _print_of(store: Path) -> list[int] | None:
    """Size and time of the store, and size of its write-ahead log; None where there is no store."""
    try:
        stat = store.stat()
    except OSError:
        return None
    try:
        log = store.with_name(store.name + ".wal").stat().st_size
    except OSError:
        log = 0
    return [stat.st_size, stat.st_mtime_ns, log]


def read(store: Path) -> tuple[int, int] | None:
    """The revision, and the newest that can alter an answer; None where the sidecar cannot be believed."""
    try:
        said = json.loads(sidecar_path(store).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(said, dict) or said.get("store") != _print_of(store):
        return None
    revision, answering = said.get("revision"), said.get("answering")
    return (revision, answering) if isinstance(revision, int) and isinstance(answering, int) else None


def write(store: Path, revision: int, answering: int) -> None:
    """Say the revisions of the store as it lies there now; in a full or read-only folder nothing is said."""
    target = sidecar_path(store)
    text = json.dumps({"revision": revision, "answering": answering, "store": _print_of(store)})
    draft = target.with_name(f"{target.name}.{os.getpid()}.{threading.get_ident()}")
    with contextlib.suppress(OSError):
        draft.write_text(text, encoding="utf-8")
        draft.replace(target)
        return
    with contextlib.suppress(OSError):
        draft.unlink(missing_ok=True)
