"""A sha256 over the rows of a load, so that a byte changed in any of them later shows.

Rows are taken in blocks of a fixed length, columns by name, each as its validity, then its values with missing ones as
zero or empty: the same rows give the same digest however they were cut into batches on the way.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

BLOCK_ROWS = 65_536
EMPTY = hashlib.sha256(b"").hexdigest()


def digest(batches: Iterable[pa.RecordBatch]) -> str:
    """Hexadecimal sha256 of the rows of these batches, all of one schema.

    >>> rows = pa.record_batch({"probe": ["GP-1", None], "counts": [5, 6]})
    >>> digest([rows]) == digest([rows.slice(0, 1), rows.slice(1)])
    True
    """
    total = hashlib.sha256()
    for block in _blocks(batches):
        for field in sorted(block.schema, key=lambda one: one.name):
            column = block.column(field.name)
            if column.null_count == block.num_rows:
                continue  # so that a column added later, still empty, changes no digest
            total.update(f"{field.name}:{field.type}:{block.num_rows}".encode())
            column = column.combine_chunks()
            total.update(_packed(pc.cast(column.is_valid(), pa.uint8())))
            _update(total, column)
    return total.hexdigest()


def _blocks(batches: Iterable[pa.RecordBatch]) -> Iterator[pa.Table]:
    kept: list[pa.RecordBatch] = []
    count = 0
    for batch in batches:
        kept.append(batch)
        count += batch.num_rows
        while count >= BLOCK_ROWS:
            table = pa.Table.from_batches(kept)
            yield table.slice(0, BLOCK_ROWS)
            kept = table.slice(BLOCK_ROWS).to_batches()
            count -= BLOCK_ROWS
    if count:
        yield pa.Table.from_batches(kept)


def _update(total: Any, column: pa.Array) -> None:
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        filled = pc.fill_null(column, "")
        total.update(_packed(pc.cast(pc.binary_length(filled), pa.int32())))
        total.update(_text_bytes(filled))
        return
    if pa.types.is_boolean(column.type):
        total.update(_packed(pc.cast(pc.fill_null(column, fill_value=False), pa.uint8())))
        return
    if pa.types.is_timestamp(column.type):
        column = pc.cast(column, pa.int64())
    total.update(_packed(pc.fill_null(column, pa.scalar(0, column.type))))


def _packed(column: pa.Array) -> memoryview:
    """The values of a fixed-width array without missing ones, as bytes."""
    return memoryview(column.to_numpy(zero_copy_only=False)).cast("B")


def _text_bytes(column: pa.Array) -> memoryview:
    """The characters of a text array without missing ones, one after the other."""
    start = column.offset
    wide = pa.types.is_large_string(column.type)
    _, offsets, data = column.buffers()
    places = memoryview(offsets).cast("q" if wide else "i")
    return memoryview(data or b"")[places[start] : places[start + len(column)]]
