"""XLSX in: one table a sheet, cells made to text that reads back as the same value."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, time, timedelta
from itertools import count
from pathlib import Path

import pyarrow as pa
import python_calamine

from analytics.errors import UserError
from analytics.records.intake.raw import RawTable, block_of_rows

BLOCK_ROWS = 50_000
LARGEST_UNPACKED_BYTES = 2 << 30
LARGEST_RATIO = 300
MEANT_AS_SMALL_BYTES = 64 << 20


def open_xlsx(path: Path, name: str) -> list[RawTable]:
    """The tables of a workbook: every sheet that holds something.

    Raises:
        UserError: not a workbook, none of its sheets holds anything, or it would unpack to an absurd size.
    """
    _refuse_bomb(path, name)
    try:
        workbook = python_calamine.CalamineWorkbook.from_path(str(path))
        sheets = {
            title: workbook.get_sheet_by_name(title).to_python(skip_empty_area=False) for title in workbook.sheet_names
        }
    except (python_calamine.CalamineError, OSError, ValueError) as error:
        raise UserError(
            f"the workbook cannot be read ({error})", where=name, do="Save it again as .xlsx, or as CSV."
        ) from error
    filled = {
        title: rows for title, rows in sheets.items() if any(any(cell_text(cell) for cell in row) for row in rows)
    }
    if not filled:
        raise UserError("the file is empty", where=name, do="Export it again with its heading line.")
    return [_table(f"{name}:{title}" if len(filled) > 1 else name, rows) for title, rows in filled.items()]


def _refuse_bomb(path: Path, name: str) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
    except (zipfile.BadZipFile, OSError, ValueError) as error:
        raise UserError("the workbook is damaged", where=name, do="Save it again as .xlsx, or as CSV.") from error
    packed = max(path.stat().st_size, 1)
    if unpacked > LARGEST_UNPACKED_BYTES or (unpacked > MEANT_AS_SMALL_BYTES and unpacked / packed > LARGEST_RATIO):
        raise UserError("the workbook would unpack to an absurd size", where=name, do="Save the table as CSV.")


def _table(name: str, rows: Sequence[Sequence[object]]) -> RawTable:
    heading = next(i for i, row in enumerate(rows) if any(cell_text(cell) for cell in row))
    headings = [(cell_text(cell) or "").strip() for cell in rows[heading]]

    def blocks(progress: Callable[[float], None]) -> Iterator[pa.Table]:
        for start in range(heading + 1, len(rows), BLOCK_ROWS):
            part = [[cell_text(cell) for cell in row] for row in rows[start : start + BLOCK_ROWS]]
            # a sheet has no lines, only cells: a row with nothing in it is a blank line
            table = block_of_rows(count(start + 1), [row if any(row) else [] for row in part], len(headings))
            if table.num_rows:
                yield table
            progress(min(start + BLOCK_ROWS, len(rows)) / len(rows))

    return RawTable(name, tuple(headings), blocks, exact_text=False, clean=False)


def cell_text(cell: object) -> str | None:
    """A cell as text; None for a blank one. Times are rounded to the millisecond that a spreadsheet can hold.

    >>> cell_text(1234.0), cell_text(0.1), cell_text(datetime(2024, 5, 31, 14, 5)), cell_text("")
    ('1234', '0.1', '2024-05-31 14:05:00', None)
    """
    if isinstance(cell, str):
        return cell or None
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime):
        rounded = cell + timedelta(microseconds=500)
        return str(rounded.replace(microsecond=rounded.microsecond // 1000 * 1000))
    if cell is None or isinstance(cell, (int, date, time, timedelta)):
        return None if cell is None else str(cell)
    return str(cell)
