"""The first rows of a file and a guess at how to read it, for a person to confirm."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analytics.errors import UserError
from analytics.records.column_map import ColumnMap
from analytics.records.guess import guess
from analytics.records.headings import is_known, lay_out
from analytics.records.intake.formats import open_tables
from analytics.records.intake.raw import cell_name


@dataclass(frozen=True)
class Preview:
    """One table of a file.

    kind: which table it is read as with the map that was asked for; None where it is none: ``problems`` says why.
    first_rows: cells as they stand, under the file's own headings. guess: the map that seems to fit.
    """

    file: str
    headings: tuple[str, ...]
    first_rows: pd.DataFrame
    kind: str | None
    guess: ColumnMap
    problems: tuple[str, ...]


def preview(
    file: str | Path, *, column_map: ColumnMap | str | None = None, rows: int = 20, store: str | Path | None = None
) -> list[Preview]:
    """The tables of a file. column_map: a map, the path of a TOML file, or the name of one saved in ``store``.

    Raises:
        UserError: the file cannot be opened as a table at all, or there is no such map.
    """
    if isinstance(column_map, str):
        from analytics.records.saved_maps import find_map

        column_map = find_map(store or "", column_map)
    cmap = column_map or ColumnMap()
    found: list[Preview] = []
    for raw in open_tables(Path(file), Path(file).name, is_known):
        block = next(iter(raw.blocks(lambda _: None)), None)
        width = len(raw.headings)
        cells = (
            []
            if block is None
            else [[one[cell_name(i)] for i in range(width)] for one in block.slice(0, rows).to_pylist()]
        )
        kind, problems = None, list[str]()
        try:
            kind = "readings" if cmap.wide else lay_out(raw.file, raw.headings, None, cmap).table.kind
        except UserError as error:
            problems.append(str(error))
        shown = [heading or f"column_{i + 1}" for i, heading in enumerate(raw.headings)]
        found.append(
            Preview(
                raw.file,
                raw.headings,
                pd.DataFrame(cells, columns=shown, dtype="str"),
                kind,
                guess(raw.headings, cells),
                tuple(problems),
            )
        )
    return found
