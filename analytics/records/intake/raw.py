"""A table as it stands in a file: headings, and blocks of text cells with their row numbers.

Row numbers are those a spreadsheet shows: the heading is row 1 (unless something stands above it).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.compute as pc

# A block's columns: ``row`` int64; ``fault`` string, the reason code where a row has not the heading's number of cells,
# else null; ``whole`` string, such a row as it stood; then c0 … cN, string, without blanks around, null if blank.
ROW, FAULT, WHOLE = "row", "fault", "whole"
BLANKS = " \t\r\n\u00a0\ufeff"


@dataclass(frozen=True)
class RawTable:
    """One table of one file.

    file: name for messages and reports (with the sheet, where a workbook holds several).
    blocks: call it with a progress callback (fraction 0..1 of this table) to read from the start; may be called again.
    exact_text: cells stand as a person or program wrote them (False: numbers of a spreadsheet or Parquet made to text).
    clean: whether no cell holds control or replacement characters (False: not known).
    """

    file: str
    headings: tuple[str, ...]
    blocks: Callable[[Callable[[float], None]], Iterator[pa.Table]]
    exact_text: bool
    clean: bool


def cell_name(index: int) -> str:
    """Name of a text column inside a block.

    >>> cell_name(3)
    'c3'
    """
    return f"c{index}"


def trimmed(table: pa.Table) -> pa.Table:
    """The cells of a block without blanks around them."""
    for i, name in enumerate(table.column_names):
        if name not in (ROW, FAULT, WHOLE):
            bare = pc.utf8_trim(table.column(name), characters=BLANKS)
            table = table.set_column(i, name, pc.if_else(pc.equal(bare, ""), pa.scalar(None, pa.string()), bare))
    return table


def block_of_rows(places: Iterable[int], rows: Sequence[Sequence[str | None]], width: int) -> pa.Table:
    """A block from rows of cells and their row numbers, in rising order; blank lines (no cells) give no row.

    A row too short or too long is kept whole, with its fault; surplus cells that are empty are no fault.
    """
    numbers: list[int] = []
    faults: list[str | None] = []
    wholes: list[str | None] = []
    kept: list[Sequence[str | None]] = []
    blank: list[str | None] = [None] * width
    for number, untrimmed in zip(places, rows, strict=False):
        if not untrimmed:
            continue
        cells = [None if one is None else one.strip(BLANKS) or None for one in untrimmed]
        fault, row = None, cells
        if len(cells) > width and not any(cells[width:]):
            row = cells[:width]
        elif len(cells) != width:
            fault, row = "too_few_cells" if len(cells) < width else "too_many_cells", blank
        elif not any(cells):
            fault = "empty_row"
        numbers.append(number)
        faults.append(fault)
        wholes.append(None if fault is None else ",".join(one or "" for one in cells))
        kept.append(row)
    columns = list(zip(*kept, strict=True)) if kept else [()] * width
    arrays: dict[str, pa.Array] = {
        ROW: pa.array(numbers, pa.int64()),
        FAULT: pa.array(faults, pa.string()),
        WHOLE: pa.array(wholes, pa.string()),
    }
    arrays |= {cell_name(i): pa.array(column, pa.string()) for i, column in enumerate(columns)}
    return pa.table(arrays)
