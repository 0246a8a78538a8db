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
