"""The one thing that opens DuckDB: connection, lease and transaction, and nothing else.

Nobody keeps the store open: a reader takes what it needs and closes; a writer does one transaction and closes.
"""

from __future__ import annotations

import contextlib
import shutil
import threading
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import NamedTuple

import duckdb

from analytics.errors import UserError
from analytics.records import engine, schema, sidecar
from analytics.records.access import REFUSED, ROLE, SHOWN, SIGNED_IN, RefusedError
from analytics.records.faults import disk_is_full, in_words
from analytics.records.lease import lease, say_on_stderr
from analytics.records.sql import QUIET, first, literal, scalar

_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "storage_compatibility_version": "v1.5.0",
    "enable_external_access": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "memory_limit": "600MB",
}
# Changes of the history that no answer of the analysis hangs on.
_NO_INPUT = (SIGNED_IN, REFUSED, ROLE, SHOWN)


class _Lent(threading.local):
    """By the path of a store: the connection by which this thread reads it just now."""

    def __init__(self) -> None:
        self.by_path: dict[Path, duckdb.DuckDBPyConnection] = {}


_lent = _Lent()


class Revisions(NamedTuple):
    """Where a store stands: the number of its newest change, and of the newest that can alter an answer."""

    revision: int
    answering: int


class Store:
    """A store file. ``create``: make it on the first write where there is none.

    wait_s: seconds to wait for others before giving up; on_wait: gets a sentence naming who is waited for.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        create: bool = False,
        purpose: str = "steadycount",
        wait_s: float = 60.0,
        on_wait: Callable[[str], None] = say_on_stderr,
    ) -> None:
        self.path = Path(path)
        self.create = create
        self._purpose, self._wait_s, self._on_wait = purpose, wait_s, on_wait

    @contextlib.contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A read-only connection with a shared lease; UserError where there is no sound store.

        A store of an older layout is brought up to this one first, and kept as it was beside it.
        Whoever reads within such a block of the same thread reads by the same connection, as it takes 15 ms to make one;
        finish fetching before.
        """
        if (open_here := _lent.by_path.get(self.path)) is not None:
            yield open_here
            return
        self._must_exist()
        if (yield from self._read()):
            return
        with self.writing():
            pass  # brings the layout up to date
        yield from self._read()

    def _read(self) -> Generator[duckdb.DuckDBPyConnection, None, bool]:
        """Lend a connection once; False, and nothing lent, where the layout is an older one."""
        ticket = lease(self.path, exclusive=False, purpose=self._purpose, wait_s=self._wait_s, on_wait=self._on_wait)
        with ticket, self._faults_in_words():
            con = self._connect(read_only=True)
            try:
                version = schema.version_of(con, str(self.path))
                schema.refuse_newer(version, str(self.path))
                if version == 0:
                    raise self._no_store()
                if version < schema.VERSION:
                    return False
                numbers = revisions_in(con)
                _lent.by_path[self.path] = con
                yield con
            finally:
                _lent.by_path.pop(self.path, None)
                self._close(con)
            if sidecar.read(self.path) is None:
                sidecar.write(self.path, *numbers)
        return True

    @contextlib.contextmanager
    def writing(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """One transaction with the exclusive lease: committed at the end of the block, rolled back by any exception.

        What a person's role does not allow is rolled back too, and the attempt is then entered in the history.
        """
        if not self.create:
            self._must_exist()
        elif self.path.is_dir() or not self.path.parent.is_dir():
            raise UserError(
                "no store can be made here",
                where=str(self.path),
                do="Name a file in a folder that exists with --store.",
            )
        ticket = lease(self.path, exclusive=True, purpose=self._purpose, wait_s=self._wait_s, on_wait=self._on_wait)
        with ticket, self._faults_in_words():
            new = not self.path.exists()
            try:
                numbers = yield from self._transaction()
            except RefusedError as refused:
                self._enter_refusal(refused)
                raise
            except BaseException:
                if new:
                    self._remove_unborn()
                raise
            sidecar.write(self.path, *numbers)

    def _enter_refusal(self, refused: RefusedError) -> None:
        from analytics.records import history

        with contextlib.contextmanager(self._transaction)() as con:
            history.record(
                con,
                by=refused.who,
                action=REFUSED,
                subject=refused.action,
                after={"wanted": refused.action, "role": refused.role},
            )
            numbers = revisions_in(con)
        sidecar.write(self.path, *numbers)

    def _transaction(self) -> Generator[duckdb.DuckDBPyConnection, None, Revisions]:
        con = self._connect(read_only=False)
        try:
            version = schema.version_of(con, str(self.path))
            schema.refuse_newer(version, str(self.path))
            if 0 < version < schema.VERSION:
                con.execute("CHECKPOINT")
                self._close(con)
                self._keep_older(version)
                self._make_newer(version)
                con, version = self._connect(read_only=False), schema.VERSION
            con.execute("BEGIN")
            schema.migrate(con, version)
            yield con
            con.execute("COMMIT")
            return revisions_in(con)
        except BaseException:
            with contextlib.suppress(duckdb.Error):
                con.execute("ROLLBACK")
            raise
        finally:
            self._close(con)

    def _keep_older(self, version: int) -> None:
        """A copy of the store as it was, beside it, before its layout is changed."""
        kept = self.path.with_name(f"{self.path.name}.layout-{version}")
        if not kept.exists():
            draft = kept.with_name(kept.name + ".part")
            try:
                shutil.copyfile(self.path, draft)
                draft.replace(kept)
            except BaseException:  # on a full disk what was begun takes room that is needed
                draft.unlink(missing_ok=True)
                raise

    def _make_newer(self, version: int) -> None:
        """The store with the present layout in place of the older one: made beside it and moved there when whole.

        Changed in place and killed before the database had put its log away, the file could not be opened again: the log
        is read before the functions that the tables' own checks need are there.
        """
        newer = Store(self.path.with_name(self.path.name + ".newer"))
        newer._remove_unborn()
        try:
            shutil.copyfile(self.path, newer.path)
            with contextlib.closing(newer._connect(read_only=False)) as con:
                con.execute("BEGIN")
                schema.migrate(con, version)
                con.execute("COMMIT")
                con.execute("CHECKPOINT")
            newer.path.replace(self.path)
        finally:
            newer._remove_unborn()

    def _remove_unborn(self) -> None:
        """A store whose first transaction failed holds nothing: leave no empty file behind."""
        for name in (self.path.name, self.path.name + ".wal"):
            with contextlib.suppress(OSError):
                self.path.with_name(name).unlink(missing_ok=True)

    def copy_to(self, target: Path) -> str:
        """A compact copy into a new file while nobody writes; returns the newest hash of the history it holds."""
        with self.reading() as con:
            head = first(con, "SELECT hash FROM change ORDER BY revision DESC LIMIT 1")
            self._close(con)
            with self._faults_in_words(), duckdb.connect() as both:
                both.execute(QUIET)
                both.execute(f"ATTACH {literal(str(self.path))} AS kept (READ_ONLY)")
                both.execute(f"ATTACH {literal(str(target))} AS copy (STORAGE_VERSION 'v1.5.0')")
                both.execute("COPY FROM DATABASE kept TO copy")
        return str(head[0]) if head else "0" * 64

    def _must_exist(self) -> None:
        if not self.path.is_file():
            raise self._no_store()

    def _no_store(self) -> UserError:
        return UserError(
            "there is no store", where=str(self.path), do="Load a file into it first, or name another with --store."
        )

    def _connect(self, *, read_only: bool) -> duckdb.DuckDBPyConnection:
        kept = engine.kept_for(self.path) if self.path.is_file() else None
        try:
            if kept is not None:
                return kept.lend(read_only=read_only)
            con = duckdb.connect(str(self.path), read_only=read_only, config=dict(_CONFIG))
        except (duckdb.Error, OSError) as error:
            raise in_words(error, self.path) from error
        # Its own progress bar goes to standard output, which belongs to the caller's JSON. A locked configuration could
        # not be told so by a second reader; readers can neither write nor reach other files anyway.
        try:
            con.execute(QUIET if read_only else f"{QUIET}; SET lock_configuration = true")
        except duckdb.Error:
            con.close()
            raise
        return con

    def _close(self, con: duckdb.DuckDBPyConnection) -> None:
        kept = engine.kept_for(self.path)
        if kept is None or not kept.take_back(con):
            con.close()

    @contextlib.contextmanager
    def _faults_in_words(self) -> Iterator[None]:
        """Errors of the disk or the file become a UserError; anything else is a fault of the program and stays one."""
        try:
            yield
        except (duckdb.IOException, duckdb.FatalException, duckdb.OutOfMemoryException, OSError) as error:
            raise in_words(error, self.path) from error
        except duckdb.Error as error:
            if disk_is_full(str(error), self.path):
                raise in_words(error, self.path) from error
            raise


def revision_in(con: duckdb.DuckDBPyConnection) -> int:
    """The revision of an open store."""
    return int(scalar(con, "SELECT revision FROM store"))


def answering_in(con: duckdb.DuckDBPyConnection) -> int:
    """The newest revision of an open store that can alter an answer: sign-ins, refusals, roles and alerts that were shown cannot."""
    marks = ", ".join("?" * len(_NO_INPUT))
    return int(scalar(con, f"SELECT coalesce(max(revision), 0) FROM change WHERE action NOT IN ({marks})", _NO_INPUT))


def revisions_in(con: duckdb.DuckDBPyConnection) -> Revisions:
    """Both of an open store."""
    return Revisions(revision_in(con), answering_in(con))


def revisions(path: str | Path) -> Revisions:
    """Both, without opening the store where the sidecar can be believed; UserError where there is no store."""
    path = Path(path)
    known = sidecar.read(path)
    if known is not None:
        return Revisions(*known)
    with Store(path).reading() as con:
        return revisions_in(con)


def revision(path: str | Path) -> int:
    """The number of the store's newest change; UserError where there is no store."""
    return revisions(path).revision


def keep_engine(path: str | Path) -> None:
    """From now on open this store by an engine that is kept running, as a server does that opens it all day."""
    engine.keep(Path(path), dict(_CONFIG))


def exists(path: str | Path) -> bool:
    """Whether there is a file of that name (not: whether it is a sound store)."""
    return Path(path).is_file()


def create(path: str | Path) -> None:
    """Make an empty store; one that is there already is left as it is."""
    with Store(path, create=True).writing():
        pass


def finish_birth(path: str | Path) -> None:
    """Make an empty store of a file whose first load was killed; any other file is left as it is."""
    path = Path(path)
    if path.is_file() and sidecar.read(path) is None:
        create(path)


def holds_only(path: str | Path, *, by: str) -> bool:
    """Whether every change in the store was made by this one (for ``demo``; alerts shown aside); True where there is no file."""
    if not exists(path):
        return True
    with Store(path).reading() as con:
        return bool(scalar(con, 'SELECT count(*) = 0 FROM change WHERE "by" <> ? AND action <> ?', [by, SHOWN]))


def is_empty(path: str | Path) -> bool:
    """Whether nothing was ever recorded in the store (for ``demo``); True where there is no file."""
    return not exists(path) or revision(path) == 0
