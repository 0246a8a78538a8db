"""Logs as they should not be: sound rows, and what people, programs and cables do to them on the way.

Strategies for hypothesis; each gives the bytes of a file and what is known of it beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import strategies as st

HEAD = ["probe", "taken_at", "window", "measurement", "counts", "count_time_s", "source", "note"]
PROBE, TAKEN_AT, COUNTS, TIME, SOURCE, NOTE = 0, 1, 4, 5, 6, 7
NASTY = (
    "", " ", "NaN", "inf", "-inf", "-1", "0", "1.5", "1e400", "1,5", "12'000", "GP-01", "=1+1", '"', '""', "a\nb", "\x00",
    "\ufffd", "ü", "𝛽", "2024-02-30", "2024-13-01", "9999-12-31", "0000-00-00", "2024-05-01T08:00:00+99:99", "24:00",
    "'; DROP TABLE reading; --", "null", "None", "<b>x</b>", "\u202e", "٣", "1_0", "0x10", "Co57", "x" * 300,
    "9" * 400, "1e308", "9223372036854775808", "18446744073709551616", "-9223372036854775809", "1e-320", "12000.0",
    "gp-001", "GP 001", "GP-001 ", "0GP-001", "45413.34", "05/01/2024 08:00", "01.05.2024 08:00", "31/12/2023",
    "1 May 2024", "2024-05-01T08:00Z", "\x1e\x1f", "\r", "a\r\nb", "\u2028", "\ud7ff", "True", "-0", "+5", "5 ", "1.2.3",
)  # fmt: skip
CELL = st.one_of(st.sampled_from(NASTY), st.text(max_size=8))
_BROKEN = (b'"', b"\n", b"\r", b",", b";", b"\xff", b"\0", b'"\n"', b"\xef\xbb\xbf", b"\xfe\xff", b"\x1a", b"\xe2\x82")


@dataclass(frozen=True)
class Log:
    """A file. rows: how many it must be found to have; None where the damage itself decides that.

    touched: row numbers, as a spreadsheet shows them, whose cells were changed; None: any may be.
    """

    content: bytes
    rows: int | None = None
    touched: frozenset[int] | None = None
    how: str = ""


def sound_rows(count: int, month: int = 5, year: int = 2023) -> list[list[str]]:
    """Rows that load: two probes in turn, one minute apart, so that no two are the same counting."""
    return [
        [f"GP-00{1 + i % 2}", f"{year}-{month:02d}-{1 + i // 2:02d} 08:{i:02d}", "Co-57", "source", str(12000 + i), "10", "CK-1", f"n{i}"]
        for i in range(count)
    ]


def written(rows: list[list[str]], separator: str = ",", end: str = "\n", *, quote_all: bool = False) -> str:
    """Rows as text, quoted where they must be."""

    def cell(text: str) -> str:
        must = quote_all or any(one in text for one in (separator, '"', "\n", "\r"))
        return '"' + text.replace('"', '""') + '"' if must else text

    return end.join(separator.join(cell(one) for one in row) for row in rows)


@st.composite
def logs(draw: st.DrawFn, month: int) -> Log:
    """One log: of cells, of shape, or of bytes that are not as they should be; sound ones are among them.

    month: of its rows, so that several logs of one load do not meet each other.
    """
    kind = draw(st.sampled_from(("cells", "cells", "shape", "shape", "bytes")))
    return draw({"cells": of_cells, "shape": of_shape, "bytes": of_bytes}[kind](month))


@st.composite
def of_cells(draw: st.DrawFn, month: int) -> Log:
    """Some cells replaced by others, in a file that is otherwise sound, whatever its separator and line ends."""
    rows = sound_rows(draw(st.integers(1, 12)), month)
    touched: set[int] = set()
    for _ in range(draw(st.integers(0, 6))):
        i, j = draw(st.integers(0, len(rows) - 1)), draw(st.integers(0, len(HEAD) - 1))
        rows[i][j] = draw(CELL)
        touched.add(i + 2)
    text = written(
        [HEAD, *rows], draw(st.sampled_from(",;\t")), draw(st.sampled_from(("\n", "\r\n"))), quote_all=draw(st.booleans())
    ) + draw(st.sampled_from(("", "\n")))
    return Log(text.encode(draw(st.sampled_from(("utf-8", "utf-8-sig"))), "replace"), len(rows), frozenset(touched), "cells")


@st.composite
def of_shape(draw: st.DrawFn, month: int) -> Log:
    """The whole file in another shape: order, separators, encodings, dates, decimal signs, repeats, quoted line ends."""
    rows, head = sound_rows(draw(st.integers(2, 12)), month), list(HEAD)
    everything = frozenset(range(2, len(rows) + 50))
    how = draw(st.sampled_from(tuple(SHAPES)))
    changed, touched = SHAPES[how](draw, head, rows)
    encoding = draw(st.sampled_from(("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "utf-32")))
    separator, end = draw(st.sampled_from((",", ";", "\t", "|"))), draw(st.sampled_from(("\n", "\r\n", "\r")))
    content = written([head, *changed], separator, end).encode(encoding, "replace")
    known = separator != "|" and encoding in ("utf-8", "utf-8-sig", "utf-16", "cp1252", "latin-1")
    if how == "one without cells":
        known = False  # blank rows at the end are no rows, elsewhere they are
    return Log(content, len(changed) if known else None, everything if touched is None or not known else frozenset(touched), how)


def _columns_in_another_order(draw, head, rows):
    order = draw(st.permutations(range(len(head))))
    head[:] = [head[one] for one in order]
    return [[row[one] for one in order] for row in rows], ()


def _two_headings_swapped(draw, head, rows):
    i, j = draw(st.lists(st.integers(0, len(head) - 1), min_size=2, max_size=2, unique=True))
    head[i], head[j] = head[j], head[i]
    return rows, None


def _two_cells_swapped(draw, head, rows):
    row = draw(st.integers(0, len(rows) - 1))
    i, j = draw(st.lists(st.integers(0, len(head) - 1), min_size=2, max_size=2, unique=True))
    rows[row][i], rows[row][j] = rows[row][j], rows[row][i]
    return rows, (row + 2,)


def _decimal_commas(draw, head, rows):
    column = draw(st.sampled_from((COUNTS, TIME)))
    for row in rows:
        row[column] = draw(st.sampled_from(("10,0", "12.000,5", "1.234.567", "1,234,567", "10,", ",5")))
    return rows, None


def _dates_mixed(draw, head, rows):
    for row in rows:
        year, month, rest = row[TAKEN_AT].split("-")
        day, time = rest.split()
        row[TAKEN_AT] = draw(
            st.sampled_from((
                row[TAKEN_AT], f"{day}.{month}.{year} {time}", f"{month}/{day}/{year} {time}", f"{day}/{month}/{year}",
                f"{year}-{month}-{day}T{time}:00", f"{year}-{month}-{day}T{time}:00+02:00", f"{year}{month}{day}",
                "45047.334", f"{year}-{month}-{day} {time}:00.250", f"{day}-{month}-{year[2:]}",
            ))
        )  # fmt: skip
    return rows, None


def _rows_twice(draw, head, rows):
    """Alike but for the note: a further repeat of the same counting, which loads."""
    again = draw(st.lists(st.integers(0, len(rows) - 1), min_size=1, max_size=4))
    return [*rows, *(list(rows[one]) for one in again)], ()


def _numbers_twice(draw, head, rows):
    """The same repeat of the same counting with other counts: a contradiction within the file."""
    head.append("repeat")
    one = draw(st.integers(0, len(rows) - 1))
    numbered = [[*row, "1"] for row in rows]
    twin = list(numbered[one])
    twin[COUNTS] = draw(st.sampled_from(("7", twin[COUNTS])))
    return [*numbered, twin], (one + 2, len(numbered) + 2)


def _line_ends_in_a_note(draw, head, rows):
    for row in rows:
        row[NOTE] = draw(st.sampled_from(('said "no",\nthen yes', "a\n\nb", "ends\n", '"', "plain")))
    return rows, ()


def _foreign_letters(draw, head, rows):
    for row in rows:
        row[NOTE] = draw(st.sampled_from(("Müller", "naïve £", "µCi", "Größe")))
    return rows, ()


def _huge_numbers(draw, head, rows):
    row, column = draw(st.integers(0, len(rows) - 1)), draw(st.sampled_from((COUNTS, TIME)))
    rows[row][column] = draw(st.sampled_from(("9" * 40, "9" * 400, "1e309", "1e300", "9007199254740993", "2e15")))
    return rows, (row + 2,)


def _ragged(draw, head, rows):
    row = draw(st.integers(0, len(rows) - 1))
    rows[row] = rows[row][: draw(st.integers(1, 6))] if draw(st.booleans()) else [*rows[row], "and", "more"]
    return rows, (row + 2,)


def _one_without_cells(draw, head, rows):
    rows[draw(st.integers(0, len(rows) - 1))] = [""] * len(head)
    return rows, None


def _a_heading_twice_or_missing(draw, head, rows):
    place = draw(st.integers(0, len(head) - 1))
    head[place] = draw(st.sampled_from(("", head[0], head[-1], "Probe", "counts ", "remark")))
    return rows, None


SHAPES = {
    "columns in another order": _columns_in_another_order,
    "two headings swapped": _two_headings_swapped,
    "two cells swapped": _two_cells_swapped,
    "decimal commas": _decimal_commas,
    "dates mixed": _dates_mixed,
    "rows twice": _rows_twice,
    "numbers twice": _numbers_twice,
    "line ends in a note": _line_ends_in_a_note,
    "foreign letters": _foreign_letters,
    "huge numbers": _huge_numbers,
    "ragged": _ragged,
    "one without cells": _one_without_cells,
    "a heading twice or missing": _a_heading_twice_or_missing,
}


@st.composite
def of_bytes(draw: st.DrawFn, month: int) -> Log:
    """Bytes cut out, doubled, overwritten or put in, or the end cut off."""
    encoding = draw(st.sampled_from(("utf-8", "utf-8", "utf-8-sig", "utf-16")))
    content = bytearray(written([HEAD, *sound_rows(8, month)]).encode(encoding))
    for _ in range(draw(st.integers(1, 8))):
        place = draw(st.integers(0, max(len(content) - 1, 0)))
        change = draw(st.sampled_from(("cut", "put", "over", "end", "double")))
        some = draw(st.binary(min_size=1, max_size=6) | st.sampled_from(_BROKEN))
        if change == "cut":
            del content[place : place + draw(st.integers(1, 20))]
        elif change == "put":
            content[place:place] = some
        elif change == "over":
            content[place : place + len(some)] = some
        elif change == "end":
            del content[max(place, 1) :]
        else:
            content[place:place] = content[place : place + 40]
    return Log(bytes(content), how="bytes")
