"""Wide sheets: one line a check, one column a measurement. Each such column is read as a table of its own.

So rows keep the numbers that a spreadsheet shows, and stored, already there and held add up for every column. A blank
cell is a measurement that was not made, and no row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial

import pyarrow as pa
import pyarrow.compute as pc

from analytics.errors import UserError
from analytics.records.column_map import ColumnMap
from analytics.records.columns import TABLES
from analytics.records.headings import Layout, lay_out, plain
from analytics.records.intake.raw import FAULT, RawTable, cell_name

_READING = "readings"


def spread(raw: RawTable, column_map: ColumnMap) -> list[tuple[RawTable, Layout]]:
    """The tables of a wide sheet, one a measurement of the map, in its order.

    Raises:
        UserError: none of the map's columns is in the sheet, or what every reading needs is missing.
    """
    names = [plain(one) for one in raw.headings]
    read = {plain(one) for columns in column_map.wide.values() for one in columns.values() if isinstance(one, str)}
    found: list[tuple[RawTable, Layout]] = []
    for measurement, columns in column_map.wide.items():
        value = next((str(columns[one]) for one in ("counts", "rate_cps") if one in columns), "")
        if plain(value) not in names:
            continue
        own = replace(
            column_map,
            kind=_READING,
            wide={},
            columns=_headings(column_map, columns, measurement),
            constants={
                **{name: text for name, text in column_map.constants.items() if name not in columns},
                **{name: f"{one:.15g}" for name, one in columns.items() if not isinstance(one, str)},
                "measurement": measurement,
            },
        )
        hidden = read - {plain(parts[0]) for parts in own.columns.values() if len(parts) == 1}
        layout = lay_out(f"{raw.file}:{value}", raw.headings, _READING, own)
        places = {
            name: cells
            for name, cells in layout.places.items()
            if name != "measurement"
            and not (measurement == "background" and name == "source")
            and not any(names[cell] in hidden for cell in cells)
        }
        others = {heading: cell for heading, cell in layout.others.items() if plain(heading) not in read}
        layout = replace(layout, places=places, others=others, constants=layout.constants | {"measurement": measurement})
        blocks = partial(_filled, raw.blocks, cell_name(names.index(plain(value))))
        found.append((replace(raw, file=f"{raw.file}:{value}", blocks=blocks), layout))
    if not found:
        wanted = ", ".join(str(one) for columns in column_map.wide.values() for one in columns.values())
        raise UserError(
            f"none of the column map's measurements is in the file: {wanted}",
            where=raw.file,
            do=f"The file has: {', '.join(raw.headings)}. Choose another map.",
        )
    return found


def _headings(
    column_map: ColumnMap, columns: Mapping[str, str | float], measurement: str
) -> dict[str, tuple[str, ...]]:
    """Our columns -> headings for one measurement: its own before those of all."""
    shared = {
        name: parts
        for name, parts in column_map.columns.items()
        if name not in (*columns, "measurement", "counts", "rate_cps")
        and not (measurement == "background" and name == "source")
    }
    return shared | {name: (one,) for name, one in columns.items() if isinstance(one, str)}


def _filled(
    blocks: Callable[[Callable[[float], None]], Iterator[pa.Table]], cell: str, progress: Callable[[float], None]
) -> Iterator[pa.Table]:
    """The rows in which the measurement was made; rows that could not be cut into cells are kept, to be held."""
    for block in blocks(progress):
        there = pc.or_(pc.is_valid(block.column(cell)), pc.is_valid(block.column(FAULT)))
        kept = block.filter(there)
        if kept.num_rows:
            yield kept


def problems(wide: object) -> Iterator[str]:
    """What is wrong with the sections [wide.…] of a map, in sentences."""
    if not isinstance(wide, dict):
        yield "`[wide]` must be a section"
        return
    table = TABLES[_READING]
    known = table.column("measurement").choices
    for measurement, columns in wide.items():
        if measurement not in known:
            yield f"[wide] `{measurement}` is none of {', '.join(known)}"
        elif not isinstance(columns, dict) or not {"counts", "rate_cps"} & set(columns):
            yield f"[wide.{measurement}] must say which heading has its counts or rate_cps"
        else:
            for name, one in columns.items():
                if name not in table.names:
                    yield f"[wide.{measurement}] `{name}` is no column of readings"
                elif isinstance(one, bool) or not isinstance(one, str | int | float):
                    yield f"[wide.{measurement}] `{name}` must be a heading, or a number for all rows"


def guessed(headings: Sequence[str], called: Mapping[str, Sequence[str]]) -> dict[str, dict[str, str | float]]:
    """The measurements that the headings name, where there are two or more.

    called: measurement -> what it is called in practice, in the writing of ``plain``.
    """
    found: dict[str, dict[str, str | float]] = {}
    for measurement, names in called.items():
        for heading in headings:
            bare = plain(heading).replace("_counts", "").replace("counts_", "").strip("_")
            is_id = measurement == "source" and bare == plain(heading) and bare not in ("centre", "center", "peak")
            if bare in names and not is_id and measurement not in found:  # a column `source` holds ids
                found[measurement] = {"counts": heading}
    return found if len(found) > 1 else {}
