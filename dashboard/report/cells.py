"""Values as they stand on paper: with their digits, dates the world over alike, a dash where nothing is known."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

from dashboard.parts import values
from dashboard.parts.words import as_on_pages
from dashboard.report.model import Column

LONG = 16  # a word longer than that may be broken
BREAK = "\N{ZERO WIDTH SPACE}"

NUMBERS: dict[str, Callable[[float, int], str]] = {
    "number": lambda value, digits: values.number(value, digits=digits),
    "change": lambda value, _: values.tenths(value),
    "whole": lambda value, _: values.whole(value),
}


def printed(column: Column, value: Any) -> str:
    """One cell.

    >>> from datetime import date
    >>> printed(Column("x", "X", "day"), date(2024, 3, 9)), printed(Column("x", "X", "number", 3), None)
    ('9 Mar 2024', '–')
    """
    if value is None or value == "":
        return values.DASH if column.kind not in ("text", "said", "word") else ""
    if column.kind in NUMBERS:
        return NUMBERS[column.kind](float(value), column.digits)
    if isinstance(value, datetime) and column.kind != "day":
        return values.moment(value)
    if isinstance(value, date):
        return values.day(value)
    if column.kind == "flag":
        return "yes" if value else "no"
    text = as_on_pages(str(value)) if column.kind == "said" else str(value)
    return breakable(text.replace("_", " ") if column.kind == "word" else text)


def breakable(text: str) -> str:
    """Text whose long words may be broken, so that they stay in their column.

    >>> breakable("short"), breakable("x" * 30).count(BREAK)
    ('short', 3)
    """
    return " ".join(
        word if len(word) <= LONG else BREAK.join(word[k : k + 8] for k in range(0, len(word), 8))
        for word in text.split(" ")
    )


def mapped(value: Any, change: Callable[[str], str]) -> Any:
    """Every text inside lists and dictionaries changed; keys stay."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, dict):
        return {key: mapped(one, change) for key, one in value.items()}
    return [mapped(one, change) for one in value] if isinstance(value, (list, tuple)) else value


def characters(value: Any) -> set[str]:
    """Every character in all texts inside."""
    if isinstance(value, str):
        return set(value)
    several = value.values() if isinstance(value, dict) else value if isinstance(value, (list, tuple)) else ()
    return set().union(*map(characters, several))
