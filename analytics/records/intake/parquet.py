"""Parquet in: every column made to text that reads back as the same value."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analytics.errors import UserError
from analytics.records.intake.raw import FAULT, ROW, WHOLE, RawTable, cell_name, trimmed

BLOCK_ROWS = 250_000


def open_parquet(path: Path, name: str) -> RawTable:
    """The table of a Parquet file; the first row is row 2, as under a heading.

    Raises:
        UserError: damaged, no columns, or a column that is no plain value (list, struct, bytes).
    """
    try:
        file = pq.ParquetFile(path)
        schema = file.schema_arrow
    except (pa.ArrowException, OSError) as error:
        raise UserError("the Parquet file is damaged", where=name, do="Export it again.") from error
    for field in schema:
        if pa.types.is_nested(field.type) or pa.types.is_binary(field.type) or pa.types.is_large_binary(field.type):
            raise UserError(
                f"column `{field.name}` holds {field.type}, not plain values",
                where=name,
                do="Export it as text or numbers.",
            )
    if not len(schema):
        raise UserError("the file is empty", where=name, do="Export it again with its columns.")
    total = max(file.metadata.num_rows, 1)

    def blocks(progress: Callable[[float], None]) -> Iterator[pa.Table]:
        done = 0
        try:
            for batch in pq.ParquetFile(path).iter_batches(BLOCK_ROWS):
                yield _text_block(batch, done + 2)
                done += batch.num_rows
                progress(done / total)
        except (pa.ArrowException, OSError) as error:
            raise UserError("the Parquet file is damaged", where=name, do="Export it again.") from error

    return RawTable(name, tuple(schema.names), blocks, exact_text=False, clean=False)


def _text_block(batch: pa.RecordBatch, first_row: int) -> pa.Table:
    count = batch.num_rows
    nothing = pa.nulls(count, pa.string())
    columns = {ROW: pa.array(np.arange(first_row, first_row + count, dtype=np.int64)), FAULT: nothing, WHOLE: nothing}
    for i, column in enumerate(batch.columns):
        plain = column.dictionary_decode() if pa.types.is_dictionary(column.type) else column
        columns[cell_name(i)] = pc.cast(plain, pa.string())
    return trimmed(pa.table(columns))
