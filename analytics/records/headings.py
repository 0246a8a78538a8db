"""From the headings of a file to one of the tables: which kind it is, and where each column stands."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

from analytics.errors import UserError
from analytics.records.column_map import ColumnMap
from analytics.records.columns import TABLES, Table

_ALL_NAMES = frozenset(name for table in TABLES.values() for name in table.names)
HELD_ID = "held_id"  # a mended export of held rows knows which row it mends


def plain(heading: str) -> str:
    """A heading as it is compared: without case, blanks and hyphens read as underscores.

    >>> plain(" Taken-at ")
    'taken_at'
    """
    return "_".join(heading.strip(" \t\u00a0\ufeff").casefold().replace("-", " ").replace("_", " ").split())


def is_known(heading: str) -> bool:
    """Whether some table has a column of this heading."""
    return plain(heading) in _ALL_NAMES


@dataclass(frozen=True)
class Layout:
    """How a file's columns are read: our column -> positions of its cells, and the unknown ones by heading."""

    table: Table
    places: dict[str, tuple[int, ...]]
    constants: dict[str, str]
    others: dict[str, int]
    column_map: ColumnMap


def lay_out(file: str, headings: Sequence[str], as_kind: str | None, column_map: ColumnMap) -> Layout:
    """The layout of a table with these headings.

    Raises:
        UserError: duplicate headings, unknown kind, or a needed column missing; with every problem of the file at once.
    """
    if as_kind is not None and as_kind not in TABLES:
        raise UserError(f"there is no table `{as_kind}`", where="--as", do=f"Use one of: {', '.join(TABLES)}.")
    names = [plain(one) for one in headings]
    _refuse_duplicates(file, headings, names)
    places = _places(file, headings, names, column_map)
    have = set(places) | set(column_map.constants)
    table = TABLES[as_kind or column_map.kind or _kind_of(file, headings, have)]
    missing = _missing(table, have)
    if missing:
        raise _missing_columns(file, headings, table, missing)
    used = {place for name, cells in places.items() if name in table.names for place in cells}
    others = {heading or f"column_{i + 1}": i for i, heading in enumerate(headings) if i not in used}
    return Layout(
        table,
        {name: cells for name, cells in places.items() if name in table.names},
        {name: value for name, value in column_map.constants.items() if name in table.names and name not in places},
        others,
        column_map,
    )


def _refuse_duplicates(file: str, headings: Sequence[str], names: Sequence[str]) -> None:
    twice = [
        (headings[i], names.index(name) + 1, i + 1) for i, name in enumerate(names) if name and names.index(name) != i
    ]
    if twice:
        said = "; ".join(f"`{heading}` (cells {first} and {second})" for heading, first, second in twice)
        raise UserError(
            f"column headings stand twice: {said}", where=f"{file}, row 1", do="Rename or remove one of each pair."
        )


def _places(
    file: str, headings: Sequence[str], names: Sequence[str], column_map: ColumnMap
) -> dict[str, tuple[int, ...]]:
    """Our columns -> positions: those of the map first, then those whose heading is ours already."""
    places: dict[str, tuple[int, ...]] = {}
    absent: list[str] = []
    for ours, theirs in column_map.columns.items():
        found = [names.index(plain(one)) for one in theirs if plain(one) in names]
        if len(found) == len(theirs):
            places[ours] = tuple(found)
        else:
            absent += [one for one in theirs if plain(one) not in names]
    if absent and not places:
        raise UserError(
            f"the column map's headings are not in the file: {', '.join(absent)}",
            where=file,
            do=f"The file has: {', '.join(headings)}. Choose another map.",
        )
    mapped = {place for cells in places.values() for place in cells}
    for i, name in enumerate(names):
        if name in _ALL_NAMES and name not in places and i not in mapped:
            places[name] = (i,)
    return places


def _missing(table: Table, have: set[str]) -> list[str]:
    missing = [one.name for one in table.columns if one.required and one.name not in have]
    return missing + [" or ".join(group) for group in table.any_of if not set(group) & have]


def _kind_of(file: str, headings: Sequence[str], have: set[str]) -> str:
    fitting = [(len(have & set(table.names)), kind) for kind, table in TABLES.items() if not _missing(table, have)]
    if fitting:
        return max(fitting, key=lambda one: one[0])[1]
    # the kind with the fewest needed columns missing, if anything speaks for it at all
    scored = sorted(
        (
            (len(_missing(table, have)), -len(have & set(table.names)), kind)
            for kind, table in TABLES.items()
            if len(have & set(table.names)) >= 2
        )
    )
    if scored:
        table = TABLES[scored[0][2]]
        raise _missing_columns(file, headings, table, _missing(table, have))
    shown = ", ".join(f"`{one}`" for one in headings[:8]) + (", …" if len(headings) > 8 else "")
    raise UserError(
        f"no known table has these columns: {shown}",
        where=f"{file}, row 1",
        do="Check the heading line, or use a column map (--map) that says what the columns are.",
    )


def _missing_columns(file: str, headings: Sequence[str], table: Table, missing: Sequence[str]) -> UserError:
    said = ", ".join(f"`{one}`" for one in missing)
    near = {
        one: difflib.get_close_matches(one, [plain(h) for h in headings if plain(h) not in table.names], 1, 0.75)
        for one in missing
    }
    similar = "; ".join(f"`{close[0]}` looks like `{one}`" for one, close in near.items() if close)
    many = "columns" if len(missing) > 1 else "column"
    return UserError(
        f"{many} {said} missing (it was read as a table of {table.kind})",
        where=f"{file}, row 1",
        do=f"{similar + '. ' if similar else ''}Add the {many}, or use a column map (--map).",
    )
