"""A report into a file: the form by its ending, and the file there as a whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from analytics.errors import UserError
from dashboard.report.model import Report

ENDINGS = (".pdf", ".xlsx", ".csv", ".svg", ".png")


def ending(out: Path) -> str:
    """The form that is asked for; UserError for one there is not."""
    found = out.suffix.lower()
    if found not in ENDINGS:
        raise UserError(
            f"a report cannot be written as `{found or out.name or out}`",
            where=str(out),
            do="End the name with .pdf, .xlsx or .csv; .svg and .png give the picture alone.",
        )
    return found


def rendered(report: Report, form: str) -> bytes:
    """The report in that form: .pdf, .xlsx, .csv; .svg and .png: its first picture."""
    if form == ".pdf":
        from dashboard.report.pdf import pdf

        return pdf(report)
    if form == ".xlsx":
        from dashboard.report.book import workbook

        return workbook(report)
    if form == ".csv":
        from dashboard.report.flat import comma_separated

        return comma_separated(report)
    if not report.charts:
        raise UserError("there is nothing to draw", where=report.subject, do="Ask for .pdf: it says what is missing.")
    if form == ".svg":
        return report.charts[0].svg.encode()
    from dashboard.report.pdf import png

    return png(report.charts[0].svg)


def writable(out: Path, *, overwrite: bool) -> None:
    """UserError where no file can or may be put there; asked before the work is done."""
    if out.is_dir():
        raise UserError("this is a folder", where=str(out), do="Name a file in it.")
    if out.exists() and not overwrite:
        raise UserError("the file is there already", where=str(out), do="Choose another name, or say --overwrite.")
    if not out.parent.is_dir():
        raise UserError("there is no such folder", where=str(out.parent), do="Make it first.")


def write(out: Path, content: bytes, *, overwrite: bool) -> None:
    """Put the bytes there: written beside, then renamed, so that nobody ever sees half a file."""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{out.name[:40]}.", suffix=".part", dir=out.parent)
    except OSError as error:
        raise UserError(
            f"the folder cannot be written to ({error.strerror})", where=str(out.parent), do="Name a file in another."
        ) from error
    draft = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        draft.chmod(0o666 & ~_umask())
        if overwrite:
            draft.replace(out)
        else:
            _link(draft, out)
    finally:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)


def _link(draft: Path, out: Path) -> None:
    """Give the draft its name; UserError where another took the name meanwhile."""
    try:
        os.link(draft, out)
    except FileExistsError as error:
        raise UserError(
            "the file is there already", where=str(out), do="Choose another name, or say --overwrite."
        ) from error
    except OSError:
        draft.rename(out)  # file systems without links


def _umask() -> int:
    """The umask, which can only be read by setting it."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
