"""What a load did, row by row accounted for: stored, already there, or held."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

HELD_COLUMNS = ("file", "row", "column", "value", "reason", "hint")


@dataclass(frozen=True, slots=True)
class FileCount:
    """One file, or one sheet of a workbook with several: stored + already_there + held = rows."""

    file: str
    kind: str
    rows: int
    stored: int
    already_there: int
    held: int


@dataclass(frozen=True, slots=True)
class HeldRow:
    """One row that was held: the first cell at fault, the reason's code, and what to do."""

    file: str
    row: int
    column: str
    value: str
    reason: str
    hint: str


@dataclass(frozen=True)
class LoadReport:
    """The outcome of a load. ``load`` is None where nothing was written: a dry run, or nothing that was new.

    held_frame: the held rows, one each, with HELD_COLUMNS; in the order of files and rows.
    registered: names that registered themselves, in sentences. notes: what else is worth saying.
    """

    load: int | None
    files: tuple[FileCount, ...]
    held_frame: pd.DataFrame
    registered: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())

    @property
    def rows(self) -> int:
        """Rows in all files."""
        return sum(one.rows for one in self.files)

    @property
    def stored(self) -> int:
        """Rows that were stored."""
        return sum(one.stored for one in self.files)

    @property
    def already_there(self) -> int:
        """Rows that were in the store before, or twice in the files."""
        return sum(one.already_there for one in self.files)

    @property
    def held_count(self) -> int:
        """Rows that were held."""
        return sum(one.held for one in self.files)

    @property
    def held(self) -> tuple[HeldRow, ...]:
        """The held rows as objects."""
        return tuple(self._held_rows())

    def _held_rows(self) -> Iterator[HeldRow]:
        columns = [self.held_frame[name].tolist() for name in HELD_COLUMNS]
        return (HeldRow(*cells) for cells in zip(*columns, strict=True))

    def as_json(self) -> dict[str, Any]:
        """The contract's document."""
        return {
            "load": self.load,
            "files": [
                {
                    "file": one.file,
                    "rows": one.rows,
                    "stored": one.stored,
                    "already_there": one.already_there,
                    "held": one.held,
                }
                for one in self.files
            ],
            "held": self.held_frame[list(HELD_COLUMNS)].to_dict("records"),
        }

    def sentences(self) -> list[str]:
        """The same for people, one line a file, then what registered itself."""
        lines = [
            f"{one.file}: {one.rows} {one.kind} rows, {one.stored} stored, {one.already_there} already there,"
            f" {one.held} held"
            for one in self.files
        ]
        return [*lines, *self.registered, *self.notes]
