"""What a report is made of, before it is a page, a workbook or a table: plain values with their names and units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

Kind = Literal["text", "said", "word", "number", "change", "whole", "day", "moment", "flag"]


@dataclass(frozen=True)
class Column:
    """One column. name: for machines, with its unit; title: for people; digits: significant ones, where printed.

    kind: ``said`` is a sentence of the analysis, printed as the pages word it; ``word`` a name, printed with blanks;
    ``change`` a number with one decimal and its sign. In workbook and CSV all three stand as the answer has them.
    """

    name: str
    title: str
    kind: Kind = "text"
    digits: int = 4
    width: str = "auto"  # in print, as typst takes it


@dataclass(frozen=True)
class Table:
    """Rows of plain values (None: not known). ``printed``: the columns that go on paper, all go into the workbook."""

    key: str  # name of its sheet
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Any, ...], ...]
    empty: str = "None."  # said where there are no rows
    printed: tuple[str, ...] = ()  # none: not printed

    def column(self, name: str) -> int:
        """The place of a column; KeyError where there is none."""
        for place, one in enumerate(self.columns):
            if one.name == name:
                return place
        raise KeyError(name)


@dataclass(frozen=True)
class Chart:
    """A picture as SVG, and a sentence that says what it shows."""

    name: str
    svg: str
    alt: str
    wide: bool = True


@dataclass(frozen=True)
class Section:
    """A part with a heading."""

    title: str
    sentences: tuple[str, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    tables: tuple[Table, ...] = ()
    charts: tuple[Chart, ...] = ()


@dataclass(frozen=True)
class Report:
    """The whole of it."""

    title: str
    subject: str  # the fleet, a site, a probe
    made_at: datetime
    by: str
    as_of: datetime
    facts: tuple[tuple[str, str], ...]  # what it was made from: stands on the first page and in the workbook
    sections: tuple[Section, ...]
    cautions: tuple[tuple[str, str], ...]
    flat: Table  # the one table of the .csv
    footer: str  # on every page: revision, settings, version
    signatures: tuple[str, ...] = field(
        default=("Licensed medical physicist", "Clinical engineering", "Head of department")
    )

    @property
    def tables(self) -> tuple[Table, ...]:
        """All tables in their order."""
        return tuple(one for section in self.sections for one in section.tables)

    @property
    def charts(self) -> tuple[Chart, ...]:
        """All pictures in their order."""
        return tuple(one for section in self.sections for one in section.charts)


def rows_of(columns: Sequence[Column], given: Sequence[Mapping[Any, Any]]) -> tuple[tuple[Any, ...], ...]:
    """Rows in the order of the columns; what a row does not have is not known."""
    return tuple(tuple(_known(row.get(one.name)) for one in columns) for row in given)


def _known(value: Any) -> Any:
    """The value, or None for NaN, NaT and pandas' NA."""
    if value is None or isinstance(value, (str, bool)):
        return value
    try:
        same = bool(value == value)  # noqa: PLR0124 - NaN and NaT are not equal to themselves
    except TypeError:
        return None
    if not same:
        return None
    if hasattr(value, "to_pydatetime"):
        return value.to_pydatetime()
    return value.item() if hasattr(value, "item") else value
