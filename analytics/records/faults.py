"""What the database or the disk complains about, in one line that a person can act on."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb

from analytics.errors import UnavailableError

LITTLE_ROOM_BYTES = 4 << 20
_FULL = ("the disk is full; nothing was changed", "Make room and try again.")
_READ_ONLY = ("the store cannot be written to (folder or file is read-only)", "Ask for write access, or copy it.")
# (part of the complaint, what to say, what to do), the first that fits counts
_KNOWN = (
    ("No space left", *_FULL),
    ("Disk quota exceeded", *_FULL),
    (
        "not a valid DuckDB database file",
        "this file is not a store",
        "Name a Steadycount store, or a new file, with --store.",
    ),
    ("newer version", "the file was written by a newer database version", "Use the program that wrote it."),
    ("version number", "the file was written by another database version", "Use the program that wrote it."),
    ("Read-only file system", *_READ_ONLY),
    ("Permission denied", *_READ_ONLY),
    ("Cannot open file", *_READ_ONLY),
)


def disk_is_full(text: str, path: Path) -> bool:
    """Whether a complaint comes from a full disk: it says so, or there is hardly any room left beside the file."""
    if "No space left" in text or "Disk quota exceeded" in text:
        return True
    try:
        return shutil.disk_usage(path.parent).free < LITTLE_ROOM_BYTES
    except OSError:
        return False


def in_words(error: Exception, path: Path) -> UnavailableError:
    """The complaint about the store at ``path`` as an UnavailableError."""
    text, where = str(error), str(path)
    if "lock on file" in text:
        by = text.partition("held in ")[2].partition(")")[0]
        who = f" ({by.replace(' (', ', ')})" if by else ""
        return UnavailableError(f"another program holds it open{who}", where=where, do="Close that program and try again.")
    what, do = next(((what, do) for part, what, do in _KNOWN if part in text), ("", ""))
    if not what and disk_is_full(text, path):
        what, do = _FULL
    elif not what and isinstance(error, duckdb.OutOfMemoryException):
        what, do = "there is not enough memory for this", "Close other programs, or load fewer files at once."
    elif not what:
        first = text.splitlines()[0] if text else type(error).__name__
        what, do = f"the store is damaged or cannot be read ({first})", "Restore it from a backup."
    return UnavailableError(what, where=where, do=do)
