"""Column maps: how a site's own sheet is read as one of the tables. TOML, saved by name in the store and used again.

kind = "readings"            # which table it is; told from the columns where absent
date_order = "day_first"     # iso (default), day_first, month_first, auto (decided over the whole column)
decimal = ","                # "." (default) or ","
thousands = ""               # "" (default: none), "." or "," or " " or "'"
[columns]                    # our column = their heading, or two headings joined by a blank (date and time)
probe = "Serial no."
taken_at = ["Date", "Time"]
[units]                      # our column = the unit the file has it in
activity_kbq = "µCi"
[constants]                  # our column = the value it has in every row of the file
window = "Co-57"
[words.measurement]          # their word = our word
bkg = "background"
[wide.background]            # a sheet with one column a measurement: where this one's counts stand,
counts = "BG"                # and what else is its own; a number holds for all rows
count_time_s = 60
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, cast

from analytics.errors import UserError
from analytics.records.columns import TABLES
from analytics.records.units import factor

DateOrder = Literal["iso", "day_first", "month_first", "auto"]
_SECTIONS = {"columns", "units", "constants", "words"}
_WIDE = "wide"
_PLAIN = {"kind", "date_order", "decimal", "thousands"}
_ORDERS = ("iso", "day_first", "month_first", "auto")


@dataclass(frozen=True)
class ColumnMap:
    """One map; see the module's docstring. Empty: the file has the contract's own layout."""

    kind: str | None = None
    date_order: DateOrder = "iso"
    decimal: str = "."
    thousands: str = ""
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    wide: Mapping[str, Mapping[str, str | float]] = field(default_factory=dict)

    @property
    def is_plain(self) -> bool:
        """Whether the map changes nothing."""
        return self == ColumnMap()

    @property
    def reads_values_otherwise(self) -> bool:
        """Whether values (not only headings) are read in another way than the contract's."""
        return self.date_order != "iso" or self.decimal != "." or bool(self.thousands or self.units or self.words)

    def to_toml(self) -> str:
        """The map as TOML text; ``from_toml`` gives the same map again."""
        lines = [f"kind = {_quoted(self.kind)}"] if self.kind else []
        lines += [
            f"date_order = {_quoted(self.date_order)}",
            f"decimal = {_quoted(self.decimal)}",
            f"thousands = {_quoted(self.thousands)}",
        ]
        lines += ["", "[columns]"]
        for ours, theirs in self.columns.items():
            value = _quoted(theirs[0]) if len(theirs) == 1 else "[" + ", ".join(map(_quoted, theirs)) + "]"
            lines.append(f"{_quoted(ours)} = {value}")
        for section, values in (("units", self.units), ("constants", self.constants)):
            lines += ["", f"[{section}]", *(f"{_quoted(key)} = {_quoted(value)}" for key, value in values.items())]
        for column, words in self.words.items():
            lines += [
                "",
                f"[words.{_quoted(column)}]",
                *(f"{_quoted(key)} = {_quoted(value)}" for key, value in words.items()),
            ]
        for measurement, columns in self.wide.items():
            lines += ["", f"[wide.{_quoted(measurement)}]"]
            lines += [f"{_quoted(k)} = {_quoted(v) if isinstance(v, str) else repr(v)}" for k, v in columns.items()]
        return "\n".join(lines) + "\n"

    @staticmethod
    def from_toml(text: str, where: str = "column map") -> ColumnMap:
        """The map of a TOML text.

        Raises:
            UserError: not TOML, or with names that are not known; all problems at once.
        """
        try:
            content = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise UserError(f"not valid TOML ({error})", where=where, do="Mend the line it names.") from error
        problems = _problems(content)
        if problems:
            raise UserError("; ".join(problems), where=where, do="See the column maps' page of the README for names.")
        columns = {
            ours: (theirs,) if isinstance(theirs, str) else tuple(theirs)
            for ours, theirs in content.get("columns", {}).items()
        }
        return ColumnMap(
            content.get("kind"),
            cast("DateOrder", content.get("date_order", "iso")),
            content.get("decimal", "."),
            content.get("thousands", ""),
            columns,
            content.get("units", {}),
            content.get("constants", {}),
            content.get("words", {}),
            content.get(_WIDE, {}),
        )


def _quoted(text: str | None) -> str:
    """A TOML basic string."""
    escaped = "".join(
        {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}.get(
            one, one if one.isprintable() else f"\\U{ord(one):08x}"
        )
        for one in text or ""
    )
    return f'"{escaped}"'


def _problems(content: Mapping[str, Any]) -> list[str]:
    """Everything in a map that is not understood, in sentences."""
    found = [f"`{name}` is not known here" for name in content if name not in _SECTIONS | _PLAIN | {_WIDE}]
    found += [f"`{name}` must be text" for name in _PLAIN & set(content) if not isinstance(content[name], str)]
    found += [
        f"`[{name}]` must be a section" for name in _SECTIONS & set(content) if not isinstance(content[name], dict)
    ]
    from analytics.records.wide import problems as of_wide

    return found or [
        *_plain_problems(content),
        *_name_problems(content),
        *_value_problems(content),
        *(of_wide(content[_WIDE]) if _WIDE in content else ()),
    ]


def _plain_problems(content: Mapping[str, Any]) -> Iterator[str]:
    """What is wrong above the sections."""
    decimal, thousands = content.get("decimal", "."), content.get("thousands", "")
    if content.get("kind") not in {None, *TABLES}:
        yield f"kind `{content['kind']}` is not one of {', '.join(TABLES)}"
    if content.get("date_order", "iso") not in _ORDERS:
        yield f"date_order is not one of {', '.join(_ORDERS)}"
    if decimal not in (".", ","):
        yield "decimal is neither . nor ,"
    if thousands not in ("", ".", ",", " ", "'") or thousands == decimal:
        yield "thousands is none of . , blank ' or is the decimal sign"


def _name_problems(content: Mapping[str, Any]) -> Iterator[str]:
    """Names in the sections that are no columns."""
    kind = content.get("kind")
    ours = {name for table in TABLES.values() if kind in (None, table.kind) for name in table.names}
    for section in sorted(_SECTIONS):
        for name in content.get(section, {}):
            if name not in ours:
                yield f"[{section}] `{name}` is no column of {kind or 'any table'}"


def _value_problems(content: Mapping[str, Any]) -> Iterator[str]:
    """Values in the sections that cannot be used."""
    for name, theirs in content.get("columns", {}).items():
        parts = [theirs] if isinstance(theirs, str) else theirs
        if (
            not isinstance(parts, list)
            or len(parts) not in (1, 2)
            or not all(one and isinstance(one, str) for one in parts)
        ):
            yield f"[columns] `{name}` must be one heading or two"
    for section in ("units", "constants"):
        for name, value in content.get(section, {}).items():
            if not isinstance(value, str):
                yield f"[{section}] `{name}` must be text"
    for name, unit in content.get("units", {}).items():
        try:
            factor(name, str(unit))
        except UserError as error:
            yield f"[units] {error.what}"
    for name, words in content.get("words", {}).items():
        if not isinstance(words, dict) or not all(isinstance(one, str) for one in words.values()):
            yield f"[words.{name}] must give text for text"
