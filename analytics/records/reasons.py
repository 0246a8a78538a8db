"""Why a row is held: the codes, what each means, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence

# code -> (what it means, what to do). ``{column}`` and ``{extra}`` are filled in.
REASONS: dict[str, tuple[str, str]] = {
    "missing_value": ("a value that is needed is blank", "Fill in `{column}`."),
    "not_a_number": (
        "this is not a number",
        "Write `{column}` in digits with a decimal point; a decimal comma needs a column map.",
    ),
    "not_finite": ("this is not a finite number", "Give the number that was read, or leave an optional column blank."),
    "negative": ("the number is below zero", "Check `{column}` against the log: it cannot be negative."),
    "fractional": (
        "counts are whole numbers",
        "Give the counts; where only a displayed rate is known, name the column `rate_cps`.",
    ),
    "zero_time": ("a counting needs a time above zero", "Give the length of the counting in seconds."),
    "out_of_range": ("the number is outside what is possible", "Check value and unit: {extra}."),
    "not_a_time": (
        "this is not a date or time",
        "Write it as 2024-05-31 or 2024-05-31 14:05; day-first dates need a column map.",
    ),
    "in_future": ("the time lies in the future", "Check date and clock: it is now {extra}."),
    "too_early": ("the time lies before 1950", "Check the year."),
    "not_one_of": ("this word is not known here", "Use one of: {extra}."),
    "not_yes_no": ("this is neither yes nor no", "Write yes or no, or leave it blank."),
    "too_long": ("the text is too long", "Shorten `{column}` to at most {extra} characters."),
    "unreadable_text": ("the text holds characters that cannot be read", "Save the file as UTF-8 and load it again."),
    "too_few_cells": (
        "the row has fewer cells than the heading",
        "Check the row for a missing separator or a cut line.",
    ),
    "too_many_cells": (
        "the row has more cells than the heading",
        "Check the row for a separator inside a text or a decimal comma.",
    ),
    "empty_row": ("the row is empty", "Delete the row."),
    "needs_probe_or_source": ("neither probe nor source is given", "Fill in `probe` or `source`."),
    "unknown_probe": ("the probe is not registered", "{extra}"),
    "unknown_source": ("the check source is not registered; its nuclide and date are needed", "{extra}"),
    "source_withdrawn": (
        "the check source was withdrawn before this counting",
        "Check source and date: it was withdrawn on {extra}.",
    ),
    "near_miss": ("the name is nearly, but not quite, one that is known", "{extra}"),
    "conflict": ("the same entry is there already with another value", "{extra}"),
}


def hint(code: str, column: str, extra: str = "") -> str:
    """One sentence: what to do about a row held for this reason.

    >>> hint("missing_value", "count_time_s")
    'Fill in `count_time_s`.'
    """
    return REASONS[code][1].format(column=column, extra=extra)


def range_words(low: float | None, above: float | None, high: float | None, unit: str) -> str:
    """The permitted range in words.

    >>> range_words(None, 0, 100, "%")
    'above 0, at most 100 %'
    >>> range_words(0, None, 1e15, "1")
    'at least 0, at most 1e+15'
    """
    parts = [
        f"above {above:g}" if above is not None else "",
        f"at least {low:g}" if low is not None else "",
        f"at most {high:g}" if high is not None else "",
    ]
    return f"{', '.join(part for part in parts if part)} {'' if unit == '1' else unit}".strip()


def also(problems: Sequence[tuple[str, str]]) -> str:
    """What else is wrong with the row, as a sentence to put behind the first hint; empty where nothing is.

    problems: pairs of column and reason code.

    >>> also([("counts", "negative")])
    ' Also: `counts`: the number is below zero.'
    """
    if not problems:
        return ""
    return " Also: " + "; ".join(f"`{column}`: {REASONS[code][0]}" for column, code in problems) + "."
