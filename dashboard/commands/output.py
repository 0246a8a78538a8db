"""What a command prints: results on standard output, all else on standard error."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from typing import Any

import typer

SIGNIFICANT_DIGITS = 10


def print_json(document: Any, *, ready: bool = False) -> None:
    """One JSON document on standard output: numbers with 10 significant digits, null for what is not known.

    ready: it is made of plain values with so many digits already.
    """
    carries_all = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    typer.echo(json.dumps(document if ready else plain(document), ensure_ascii=not carries_all, allow_nan=False))


def plain(value: Any) -> Any:
    """The value made of what JSON knows.

    >>> plain({"a": (1/3, float("nan"), 7), "on": date(2024, 3, 31)})
    {'a': [0.3333333333, None, 7], 'on': '2024-03-31'}
    """
    if value is None or isinstance(value, (bool, str, int)):
        return value
    if isinstance(value, dict):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    if isinstance(value, (date, datetime)):
        return value.isoformat() if value == value else None  # noqa: PLR0124 - NaT is not equal to itself
    if hasattr(value, "item"):  # a numpy scalar
        return plain(value.item())
    number = float(value)
    return float(f"{number:.{SIGNIFICANT_DIGITS}g}") if math.isfinite(number) else None


def note(text: str) -> None:
    """A sentence for the person, on standard error."""
    typer.echo(text, err=True)


def print_table(headings: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Rows under headings, in columns, nothing cut off."""
    cells = [[_cell(one) for one in row] for row in [headings, *rows]]
    widths = [max(len(row[i]) for row in cells) for i in range(len(headings))]
    for row in cells:
        typer.echo("  ".join(one.ljust(width) for one, width in zip(row, widths, strict=True)).rstrip())


def _cell(value: object) -> str:
    if value is None or value != value:  # noqa: PLR0124 - NaN and NaT are not equal to themselves
        return "–"
    return " ".join(str(value).split()) or "–"


def is_terminal() -> bool:
    """True where a person watches standard error."""
    return sys.stderr.isatty()


@contextmanager
def progress(what: str) -> Iterator[Callable[[str, float], None]]:
    """A progress bar on standard error where that is a terminal; it takes what is done and the fraction of it."""
    if not is_terminal():
        yield lambda _what, _fraction: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda now, fraction: bar.update(task, description=now, completed=fraction)


@contextmanager
def working(what: str) -> Iterator[Callable[[str], None]]:
    """A moving mark on standard error where that is a terminal, for work whose length is not known; it takes what is being done."""
    if not is_terminal():
        yield lambda _now: None
        return
    from rich.console import Console

    with Console(stderr=True).status(what) as status:
        yield lambda now: status.update(f"{what}: {now}")


def records(frame: Any) -> list[dict[str, Any]]:
    """The rows of a data frame as plain dictionaries, missing values as None."""
    import pandas as pd

    return [
        {
            str(key): None if pd.isna(one) else (one.isoformat() if hasattr(one, "isoformat") else one)
            for key, one in row.items()
        }
        for row in frame.to_dict("records")
    ]


def print_frame(frame: Any) -> None:
    """The rows of a data frame in columns."""
    print_table([str(one) for one in frame.columns], [list(row) for row in frame.itertuples(index=False)])


def known(value: float | None) -> str:
    """A number for a sentence, or that it is not known."""
    return "not known" if value is None else f"{value:.4g}"
