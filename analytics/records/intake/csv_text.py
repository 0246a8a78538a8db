"""CSV in: encoding, separator, heading, then blocks of rows with bounded memory.

A block without quotes, blank lines and stray line ends can be cut in only one way, so Arrow cuts it in bulk. Any other
block is cut by Python's ``csv``. A quote that is opened and never closed would swallow the rows after it: a record over
several lines whose number of cells is wrong is therefore taken line by line, its quotes as plain characters.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import reduce
from itertools import count
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pcsv

from analytics.errors import UserError
from analytics.records.intake.raw import BLANKS, FAULT, ROW, WHOLE, RawTable, block_of_rows, cell_name, trimmed

BLOCK_BYTES = 8 << 20
LONGEST_QUOTED_BYTES = 16 << 20
DELIMITERS = (",", ";", "\t")
_CONTROL = bytes(set(range(32)) - {9, 10, 13}) + b"\x7f"
csv.field_size_limit(LONGEST_QUOTED_BYTES * 2)


@dataclass(frozen=True, slots=True)
class TextFacts:
    """What one pass over the bytes tells. damaged: some characters cannot be read whichever way."""

    encoding: str
    size: int
    sha256: str
    clean: bool
    damaged: bool


def read_facts(path: Path) -> TextFacts:
    """Encoding, size and sha256 of a text file in one pass with bounded memory.

    UTF-8 if all of it is, if it says so, or if most of what is not ASCII is; UTF-16 by its mark; else Windows-1252.
    """
    digest, size = hashlib.sha256(), 0
    reader = _Utf8Reader()
    clean, start = True, b""
    with path.open("rb") as stream:
        while chunk := stream.read(BLOCK_BYTES):
            start = start if len(start) == 4 else (start + chunk)[:4]
            digest.update(chunk)
            size += len(chunk)
            clean = clean and len(chunk.translate(None, _CONTROL)) == len(chunk)
            reader.take(chunk)
    reader.take(b"", final=True)
    clean = clean and not reader.replacements
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return TextFacts("utf-16", size, digest.hexdigest(), clean=False, damaged=False)
    if not reader.bad:
        return TextFacts("utf-8", size, digest.hexdigest(), clean, damaged=False)
    if start.startswith(codecs.BOM_UTF8) or reader.good > reader.bad:
        return TextFacts("utf-8", size, digest.hexdigest(), clean=False, damaged=True)
    return TextFacts("cp1252", size, digest.hexdigest(), clean=False, damaged=False)


class _Utf8Reader:
    """Counts what is not ASCII: characters that are UTF-8, and places that are not."""

    def __init__(self) -> None:
        self.good = self.bad = self.replacements = 0
        self._strict: codecs.IncrementalDecoder | None = codecs.getincrementaldecoder("utf-8")("strict")
        self._lenient = codecs.getincrementaldecoder("utf-8")("replace")

    def take(self, chunk: bytes, *, final: bool = False) -> None:
        """The next piece of the file."""
        if chunk.isascii() and not final and not self._lenient.getstate()[0]:
            return
        text = self._lenient.decode(chunk, final)
        signs = text.count("\ufffd")  # read as such, or put where nothing could be read
        self.replacements += signs
        if self._strict is not None:
            try:
                self._strict.decode(chunk, final)
            except UnicodeDecodeError:
                self._strict = None
        if self._strict is None:
            self.bad += max(signs - chunk.count(b"\xef\xbf\xbd"), 1 if final else 0)
        self.good += len(text) - len(text.encode("ascii", "ignore")) - signs


def _utf8_chunks(path: Path, facts: TextFacts) -> Iterator[tuple[bytes, float]]:
    """The file as UTF-8 without mark, in pieces, each with the fraction read so far."""
    plain = facts.encoding == "utf-8" and not facts.damaged
    decoder = None if plain else codecs.getincrementaldecoder(facts.encoding)(errors="replace")
    done = 0
    with path.open("rb") as stream:
        while chunk := stream.read(BLOCK_BYTES):
            first, done = done == 0, done + len(chunk)
            if decoder is not None:
                chunk = decoder.decode(chunk).encode("utf-8")
            yield chunk.removeprefix(codecs.BOM_UTF8) if first else chunk, done / max(facts.size, 1)
    if decoder is not None and (rest := decoder.decode(b"", final=True)):
        yield rest.encode("utf-8"), 1.0


def _blocks_of_lines(path: Path, facts: TextFacts) -> Iterator[tuple[bytes, float]]:
    """Whole lines in pieces; a piece with an open quote is continued until it is closed, within reason."""
    rest, done = b"", 0.0
    for chunk, done in _utf8_chunks(path, facts):
        rest += chunk
        end = b"\n" if b"\n" in rest else b"\r"
        cut = rest.rfind(end, 0, len(rest) - 1 if end == b"\r" else len(rest)) + 1
        if cut == 0 or (rest.count(b'"', 0, cut) % 2 and len(rest) < LONGEST_QUOTED_BYTES):
            continue
        yield rest[:cut], done
        rest = rest[cut:]
    if rest:
        yield rest, 1.0


def _first_lines(path: Path, facts: TextFacts, name: str) -> tuple[str, int, str]:
    """The heading line (first that is not blank), its row number, and a separator stated by a ``sep=`` line."""
    row, stated = 0, ""
    for block, _ in _blocks_of_lines(path, facts):
        for line in io.StringIO(block.decode("utf-8"), newline=None):
            row += 1
            text = line.rstrip("\n")
            if row == 1 and text.lower().startswith("sep=") and len(text) == 5:
                stated = text[4]
            elif text.strip(" \t;,"):
                return text, row, stated
    raise UserError("the file is empty", where=name, do="Export it again with its heading line.")


def _split_heading(line: str, delimiter: str) -> list[str]:
    return [cell.strip(BLANKS) for cell in next(csv.reader([line], delimiter=delimiter), [])]


def open_csv(path: Path, name: str, known: Callable[[str], bool]) -> RawTable:
    """The table of a CSV file. ``known`` says whether a heading is one the tool knows: it decides the separator.

    Raises:
        UserError: the file is empty.
    """
    facts = read_facts(path)
    line, heading_row, stated = _first_lines(path, facts, name)
    choices = (stated,) if stated else DELIMITERS
    scored = [
        (sum(map(known, cells)), len(cells), -i) for i, cells in enumerate(_split_heading(line, one) for one in choices)
    ]
    delimiter = choices[-max(scored)[2]]
    headings = _split_heading(line, delimiter)

    def blocks(progress: Callable[[float], None]) -> Iterator[pa.Table]:
        row, skip = 1, heading_row
        for block, done in _blocks_of_lines(path, facts):
            table, length = _cut(block, row, delimiter, len(headings), skip)
            row, skip = row + length, max(skip - length, 0)
            if table.num_rows:
                yield table
            progress(done)

    return RawTable(name, tuple(headings), blocks, exact_text=True, clean=facts.clean and not facts.damaged)


def _cut(block: bytes, first_row: int, delimiter: str, width: int, skip: int) -> tuple[pa.Table, int]:
    """A block of lines as a table, and how many rows (blank and skipped ones too) it held."""
    # blank lines need no search: Arrow takes them for a row of another width, and gives the block back
    simple = (
        skip <= 1
        and b'"' not in block
        and (b"\r" not in block or (block.count(b"\r") == block.count(b"\r\n") and b"\n\r" not in block))
    )
    if simple:
        table = _cut_in_bulk(block, delimiter, width)
        if table is not None:
            length = table.num_rows
            numbers = pa.array(np.arange(first_row, first_row + length, dtype=np.int64))
            table = table.add_column(0, ROW, numbers).slice(skip)
            return trimmed(table) if _has_blanks_to_trim(block, delimiter.encode()) else table, length
    rows = _cut_with_care(block.decode("utf-8"), delimiter, width)
    return block_of_rows(count(first_row + skip), rows[skip:], width), len(rows)


def _has_blanks_to_trim(block: bytes, delimiter: bytes) -> bool:
    """Whether some cell may begin or end with a blank."""
    if delimiter != b"\t" and b"\t" in block:
        return True
    if not block.isascii() and (b"\xc2\xa0" in block or b"\xef\xbb\xbf" in block):
        return True
    if b" " not in block:
        return False
    signs = np.frombuffer(block, np.uint8)
    blanks = np.flatnonzero(signs == ord(" "))
    edges = np.zeros(256, dtype=bool)
    edges[[delimiter[0], ord("\n"), ord("\r")]] = True
    before, after = signs[np.maximum(blanks - 1, 0)], signs[np.minimum(blanks + 1, len(signs) - 1)]
    return bool(edges[before].any() or edges[after].any() or blanks[0] == 0 or blanks[-1] == len(signs) - 1)


def _cut_in_bulk(block: bytes, delimiter: str, width: int) -> pa.Table | None:
    """All cells as text by Arrow; None where a row has another number of cells or holds nothing."""
    names = [cell_name(i) for i in range(width)]
    try:
        table = pcsv.read_csv(
            pa.BufferReader(block),
            read_options=pcsv.ReadOptions(column_names=names, block_size=4 << 20),
            parse_options=pcsv.ParseOptions(delimiter=delimiter, quote_char=False, ignore_empty_lines=False),
            convert_options=pcsv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=True, null_values=[""]
            ),
        )
    except pa.ArrowInvalid:
        return None
    if _has_empty_rows(table):
        return None
    empty = pa.nulls(table.num_rows, pa.string())
    return table.add_column(0, WHOLE, empty).add_column(0, FAULT, empty)


def _has_empty_rows(table: pa.Table) -> bool:
    """Whether some row has no cell at all (only possible where every column has blanks)."""
    if not all(column.null_count for column in table.columns):
        return False
    return bool(pc.any(reduce(pc.and_, (pc.is_null(column) for column in table.columns))).as_py())


def _cut_with_care(text: str, delimiter: str, width: int) -> list[list[str]]:
    """Rows of cells by ``csv``; one entry a row, blank lines as empty lists."""
    rows: list[list[str]] = []
    lines = _Lines(text)
    reader = csv.reader(lines, delimiter=delimiter)
    while True:
        lines.taken.clear()
        try:
            cells = next(reader)
        except StopIteration:
            return rows
        except csv.Error:
            cells = []
        if len(lines.taken) > 1 and len(cells) != width:
            # a quote was opened and not closed where it should be
            rows += [line.rstrip("\r\n").split(delimiter) if line.strip() else [] for line in lines.taken]
        else:
            rows.append(cells)


class _Lines:
    """Lines of a text with their ends, remembering those given out."""

    def __init__(self, text: str) -> None:
        self._stream = io.StringIO(text, newline="")
        self.taken: list[str] = []

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        line = self._stream.readline()
        if not line:
            raise StopIteration
        self.taken.append(line)
        return line
