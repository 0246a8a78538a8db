"""XLSX in: one table a sheet, cells made to text that reads back as the same value."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Iterator
from datetime import date, datetime, time, timedelta
from itertools import count, islice
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
        sheets = {title: workbook.get_sheet_by_name(title) for title in workbook.sheet_names}
    except (python_calamine.CalamineError, OSError, ValueError) as error:
        raise UserError(
            f"the workbook cannot be read ({error})", where=name, do="Save it again as .xlsx, or as CSV."
        ) from error
    headings = {title: heading for title, sheet in sheets.items() if (heading := _heading(sheet)) is not None}
    if not headings:
        raise UserError("the file is empty", where=name, do="Export it again with its heading line.")
    several = len(headings) > 1
    return [
        _table(f"{name}:{title}" if several else name, sheets[title], *heading) for title, heading in headings.items()
    ]


def _heading(sheet: python_calamine.CalamineSheet) -> tuple[int, list[str]] | None:
    """Row number and cells of the first row that holds anything; None where there is none."""
    if not sheet.height:
        return None
    for number, row in enumerate(sheet.iter_rows(), start=1):
        cells = [(cell_text(cell) or "").strip() for cell in row]
        if any(cells):
            return number, cells
    return None


def _refuse_bomb(path: Path, name: str) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
    except (zipfile.BadZipFile, OSError, ValueError) as error:
        raise UserError("the workbook is damaged", where=name, do="Save it again as .xlsx, or as CSV.") from error
    packed = max(path.stat().st_size, 1)
    if unpacked > LARGEST_UNPACKED_BYTES or (unpacked > MEANT_AS_SMALL_BYTES and unpacked / packed > LARGEST_RATIO):
        raise UserError("the workbook would unpack to an absurd size", where=name, do="Save the table as CSV.")


def _table(name: str, sheet: python_calamine.CalamineSheet, heading_row: int, headings: list[str]) -> RawTable:
    def blocks(progress: Callable[[float], None]) -> Iterator[pa.Table]:
        rows = islice(sheet.iter_rows(), heading_row, None)
        start = heading_row + 1
        while part := [[cell_text(cell) for cell in row] for row in islice(rows, BLOCK_ROWS)]:
            # a sheet has no lines, only cells: a row with nothing in it is a blank line
            table = block_of_rows(count(start), [row if any(row) else [] for row in part], len(headings))
            start += len(part)
            if table.num_rows:
                yield table
            progress(min((start - 1) / max(sheet.total_height, 1), 1.0))

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
