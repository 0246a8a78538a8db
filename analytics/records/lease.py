"""The lock-file ticket: who may open the store now, and for whom the others wait.

DuckDB lets one process at a time have a file open for writing, and then nobody else may even read it. So whoever opens
the store takes this ticket first: shared for reading, exclusive for writing. The operating system gives it back when a
process dies, so a killed load never leaves a store locked. Tickets work between threads of one process as well.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

from analytics.errors import UnavailableError

SAY_AFTER_S = 2.0
POLL_S = 0.01
BREATHER_S = 0.03  # whoever writes again and again leaves the others, who look every POLL_S, a gap to come in
_released: dict[Path, float] = {}  # when this process last gave an exclusive ticket back


def lock_path(store: Path) -> Path:
    """The ticket's file, beside the store."""
    return store.with_name(store.name + ".lock")


def say_on_stderr(message: str) -> None:
    """What is done with waiting messages where the caller has no better place."""
    sys.stderr.write(f"{message}\n")
    sys.stderr.flush()


@contextlib.contextmanager
def lease(
    store: Path,
    *,
    exclusive: bool,
    purpose: str,
    wait_s: float = 60.0,
    on_wait: Callable[[str], None] = say_on_stderr,
) -> Iterator[None]:
    """Hold the store's ticket for the length of the block.

    After two seconds of waiting ``on_wait`` gets one sentence that names the process waited for; after ``wait_s``
    seconds UnavailableError says the same. In a folder that cannot be written to, readers go on without a ticket: nobody
    writes there.
    """
    try:
        handle = os.open(lock_path(store), os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        if exclusive or not store.exists():
            raise UnavailableError(
                f"the folder cannot be written to ({error.strerror})",
                where=str(store.parent),
                do="Choose a folder you may write to with --store.",
            ) from error
        yield
        return
    try:
        since = time.monotonic() - _released.get(store, -1.0)
        if exclusive and since < BREATHER_S:
            time.sleep(BREATHER_S - since)
        _wait(handle, exclusive, store, wait_s, on_wait)
        if exclusive:
            _sign(handle, purpose)
        try:
            yield
        finally:
            if exclusive:
                _sign(handle, "")
                _released[store] = time.monotonic()
            _unlock(handle)
    finally:
        os.close(handle)


def _wait(handle: int, exclusive: bool, store: Path, wait_s: float, on_wait: Callable[[str], None]) -> None:
    started, said = time.monotonic(), False
    while not _try_lock(handle, exclusive):
        waited = time.monotonic() - started
        if waited > wait_s:
            raise UnavailableError(
                f"the store is in use by {holder(store)}; gave up after {wait_s:.0f} s",
                where=str(store),
                do="Try again when it has finished.",
            )
        if waited > SAY_AFTER_S and not said:
            on_wait(f"{store}: waiting for {holder(store)}, which has the store open.")
            said = True
        time.sleep(POLL_S)


def holder(store: Path) -> str:
    """Who has the ticket, in words, as far as it is known."""
    try:
        text = lock_path(store).read_text(encoding="utf-8")
        signed = json.loads(text) if text else {}
    except (OSError, ValueError):
        signed = {}
    if not signed:
        return "another process that reads it"
    return f"process {signed.get('pid')} ({signed.get('purpose')}, since {signed.get('since')})"


def _sign(handle: int, purpose: str) -> None:
    """Write who holds the ticket; a full disk must not stop a reader or a writer here."""
    with contextlib.suppress(OSError):
        os.ftruncate(handle, 0)
        if purpose:
            since = datetime.now().isoformat(sep=" ", timespec="seconds")
            text = json.dumps({"pid": os.getpid(), "purpose": purpose, "since": since})
            os.lseek(handle, 0, os.SEEK_SET)
            os.write(handle, text.encode())


if sys.platform == "win32":
    import msvcrt

    # Windows locks byte ranges and knows no shared lock: readers take turns there. The byte lies far behind the text.
    _LOCKED_BYTE = 1 << 20

    def _try_lock(handle: int, exclusive: bool) -> bool:  # noqa: ARG001 no shared lock here
        os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _unlock(handle: int) -> None:
        os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)
else:
    import fcntl

    def _try_lock(handle: int, exclusive: bool) -> bool:
        try:
            fcntl.flock(handle, (fcntl.LOCK_EX if exclusive else fcntl.LOCK_SH) | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _unlock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_UN)
