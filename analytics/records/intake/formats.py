"""What kind of file it is, told from its first bytes and never from its name."""

from __future__ import annotations

import codecs
import zipfile
from collections.abc import Callable
from pathlib import Path

from analytics.errors import UserError
from analytics.records.intake.raw import RawTable

_CONTROL = bytes(set(range(32)) - {9, 10, 12, 13})
_SAVE_AS = "Save the table as .xlsx, CSV or Parquet."
_MAGIC = {  # first bytes of files that are often handed over by mistake
    b"%PDF": "a PDF document",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"\x1f\x8b": "a compressed file",
    b"\xd0\xcf\x11\xe0": "a workbook of the old .xls kind",
    b"7z\xbc\xaf": "a compressed file",
    b"Rar!": "a compressed file",
    b"\x7fELF": "a program",
    b"{\\rtf": "a text document",
}


def open_tables(path: Path, name: str, known: Callable[[str], bool]) -> list[RawTable]:
    """The tables of a file as text. ``known`` says whether a heading is one the tool knows.

    Raises:
        UserError: no such file, a folder, not readable, empty, binary, damaged.
    """
    start = _first_bytes(path, name)
    if start.startswith(b"PAR1"):
        from analytics.records.intake.parquet import open_parquet

        return [open_parquet(path, name)]
    if start.startswith(b"PK\x03\x04"):
        if not _is_workbook(path):
            raise UserError("this is a compressed file, not a table", where=name, do=_SAVE_AS)
        from analytics.records.intake.excel import open_xlsx

        return open_xlsx(path, name)
    what = next((what for magic, what in _MAGIC.items() if start.startswith(magic)), None)
    if what is None and _is_binary(start):
        what = "a binary file"
    if what is not None:
        raise UserError(f"this is {what}, not a table", where=name, do=_SAVE_AS)
    from analytics.records.intake.csv_text import open_csv

    return [open_csv(path, name, known)]


def _is_binary(start: bytes) -> bool:
    """Whether the first line that is not blank holds control characters; one astray further down costs its row only."""
    line = start.lstrip(b"\r\n \t").partition(b"\n")[0]
    has_control = len(line.translate(None, _CONTROL)) < len(line)
    return has_control and not start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))


def _first_bytes(path: Path, name: str) -> bytes:
    """The start of a file that can be read and is not blank."""
    if path.is_dir():
        raise UserError("this is a folder", where=name, do="Name the files in it.")
    try:
        with path.open("rb") as stream:
            start = stream.read(65536)
    except FileNotFoundError as error:
        raise UserError("there is no such file", where=name, do="Check the name.") from error
    except OSError as error:
        raise UserError(
            f"the file cannot be read ({error.strerror})", where=name, do="Check that you may read it."
        ) from error
    if not start.strip(b" \t\r\n\xef\xbb\xbf"):
        raise UserError("the file is empty", where=name, do="Export it again with its heading line.")
    return start


def _is_workbook(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            return "xl/workbook.xml" in archive.namelist()
    except (zipfile.BadZipFile, OSError):
        return True  # a damaged workbook is told as such by the workbook reader
