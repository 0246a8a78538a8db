"""Rows of a table by the names of their columns."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd


def named_rows(table: pd.DataFrame) -> Iterator[Any]:
    """``table.itertuples()``, whose fields a type checker cannot know.

    >>> [row.probe for row in named_rows(pd.DataFrame({"probe": ["GP-1"]}))]
    ['GP-1']
    """
    return iter(table.itertuples())


def rows_by(table: pd.DataFrame, column: str) -> dict[str, list[Any]]:
    """Rows by what stands in a column, in their order; those where nothing stands are left out.

    >>> {name: len(rows) for name, rows in rows_by(pd.DataFrame({"probe": ["B", None, "A", "B"]}), "probe").items()}
    {'B': 2, 'A': 1}
    """
    out: dict[str, list[Any]] = {}
    for name, row in zip(table[column].astype(object), named_rows(table), strict=True):
        if pd.notna(name):
            out.setdefault(str(name), []).append(row)
    return out
