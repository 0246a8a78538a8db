"""The database engine that a server keeps running, since to start one takes 14 ms, and to open a store by one that runs 2.

The store itself stays open no longer than before: it is attached for as long as somebody of this process reads or writes it, and
the lease (``lease.py``) says who may. Commands open their store once and keep no engine.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb

from analytics.records.sql import QUIET, literal, quoted

Config = dict[str, str | bool | int | float | list[str]]
BESIDE = ("", ".wal", ".wal.checkpoint", ".wal.recovery", ".tmp")  # what the database may touch: the store, and what it puts beside it
OPENED = "opened"  # the name that the store has while it is attached


class Engine:
    """One that runs, and attaches one store. For all threads."""

    def __init__(self, path: Path, config: Config) -> None:
        self._path = path
        self._config = {name: value for name, value in config.items() if name != "enable_external_access"}
        self._gate = threading.Lock()
        self._root: duckdb.DuckDBPyConnection | None = None
        self._lent: dict[int, duckdb.DuckDBPyConnection] = {}

    def lend(self, *, read_only: bool) -> duckdb.DuckDBPyConnection:
        """A connection to the store; to be given back by ``take_back``. The lease is the caller's.

        Raises:
            duckdb.Error: as ``duckdb.connect`` does.
        """
        with self._gate:
            if not self._lent:
                self._attach(read_only=read_only)
            root = self._running()
            con = root.cursor()
            try:
                con.execute(f"{QUIET}; USE {OPENED}")
            except duckdb.Error:
                con.close()
                self._detach()
                raise
            self._lent[id(con)] = con
            return con

    def take_back(self, con: duckdb.DuckDBPyConnection) -> bool:
        """Close a lent connection, and the store with the last one; False where it was not lent here."""
        with self._gate:
            if self._lent.get(id(con)) is not con:
                return False
            con.close()
            del self._lent[id(con)]
            self._detach()
            return True

    def _attach(self, *, read_only: bool) -> None:
        attach = f"ATTACH {literal(str(self._path))} AS {OPENED}{' (READ_ONLY)' if read_only else ''}"
        try:
            self._running().execute(attach)
        except duckdb.Error:  # be it that the engine has had its day: a full disk can make it refuse everything
            self._stop()
            self._running().execute(attach)

    def _detach(self) -> None:
        """Close the store where nobody has a connection any more."""
        if self._lent:
            return
        try:
            self._running().execute(f"DETACH {OPENED}")
        except duckdb.Error:
            self._stop()

    def _running(self) -> duckdb.DuckDBPyConnection:
        if self._root is None:
            root = duckdb.connect(config={**self._config, "temp_directory": f"{self._path}.tmp"})
            allowed = ", ".join(literal(f"{self._path}{end}") for end in BESIDE)
            root.execute(f"{QUIET}; SET allowed_paths = [{allowed}]; SET enable_external_access = false")
            self._root = root
        return self._root

    def _stop(self) -> None:
        if self._root is not None:
            with suppress(duckdb.Error):
                self._root.close()
            self._root = None


class Scratch:
    """One that runs, and lends empty databases in memory, each to one user."""

    def __init__(self) -> None:
        self._gate = threading.Lock()
        self._numbers = itertools.count(1)
        self._root: duckdb.DuckDBPyConnection | None = None

    @contextmanager
    def empty(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A connection to a database of one's own, gone after the block."""
        with self._gate:
            if self._root is None:
                self._root = duckdb.connect()
                self._root.execute(f"{QUIET}; SET enable_external_access = false")
            con, name = self._root.cursor(), quoted(f"scratch_{next(self._numbers)}")
        try:
            con.execute(f"{QUIET}; ATTACH ':memory:' AS {name}; USE {name}")
            yield con
        finally:
            with suppress(duckdb.Error):
                con.execute(f"USE memory; DETACH {name}")
            con.close()


_kept: dict[Path, Engine] = {}
_scratch: list[Scratch] = []


def keep(path: Path, config: Config) -> None:
    """Have an engine for a store, and one for scratch work, kept running from now on in this process."""
    _kept.setdefault(path, Engine(path, config))
    if not _scratch:
        _scratch.append(Scratch())


def forget() -> None:
    """Keep none any more; nobody may have a connection."""
    _kept.clear()
    _scratch.clear()


def kept_for(path: Path) -> Engine | None:
    """The engine kept for a store, None where none is."""
    return _kept.get(path)


def scratch() -> Scratch | None:
    """The engine kept for scratch work, None where none is."""
    return _scratch[0] if _scratch else None
