"""A verified copy of the store, and a store made from such a copy."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from analytics.errors import UserError
from analytics.records.check_store import check_store
from analytics.records.history import chain_head
from analytics.records.store import Store, revision


def backup(path: str | Path, out: str | Path) -> str:
    """Copy the store while it may be in use; returns the head of its history.

    The copy is compact, complete or not there at all, and checked against the store by revision, counts and chain.

    Raises:
        UserError: no store, the file is there already, no room, or the store itself is not sound.
    """
    return _copy(Path(path), Path(out), "backup")


def restore(saved: str | Path, path: str | Path) -> str:
    """Make a store from a backup; returns the head of its history. Never overwrites a file."""
    return _copy(Path(saved), Path(path), "restored store")


def _copy(source: Path, target: Path, what: str) -> str:
    if target.exists():
        raise UserError(
            "the file is there already", where=str(target), do="Choose another name; nothing is overwritten."
        )
    if not target.parent.is_dir():
        raise UserError("there is no such folder", where=str(target.parent), do="Make it first.")
    draft = target.with_name(f"{target.name}.part")
    _clear(draft)
    try:
        head = Store(source, purpose=f"steadycount {what}").copy_to(draft)
        problems = check_store(draft)
        if problems:
            raise UserError(
                f"the {what} is not sound ({problems[0].where}: {problems[0].what})",
                where=str(source),
                do="Run check-store on it.",
            )
        if chain_head(draft) != head:
            raise UserError(f"the {what} does not end where the store does", where=str(draft), do="Try again.")
        try:
            os.link(draft, target)  # fails where the name was taken meanwhile
        except FileExistsError as error:
            raise UserError(
                "the file is there already", where=str(target), do="Choose another name; nothing is overwritten."
            ) from error
        except OSError:
            draft.rename(target)  # file systems without links
    finally:
        _clear(draft)
    revision(target)
    return head


def _clear(draft: Path) -> None:
    for ending in ("", ".wal", ".lock", ".rev"):
        with contextlib.suppress(OSError):
            draft.with_name(draft.name + ending).unlink(missing_ok=True)
