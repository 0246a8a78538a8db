"""What the Import page reads before anything is written: uploads on disk, their first rows, the rehearsal of a load."""

from __future__ import annotations

import hashlib
import re
import shutil
import tempfile
import weakref
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analytics.records.report import LoadReport
from dashboard.parts import values
from dashboard.seam import place, read
from dashboard.seam.signature import reason_in_words

MOST_HELD_SHOWN = 500
_UPLOAD = "steadycount-upload-"
_FOLDER = re.compile(rf"\S*{_UPLOAD}[^/\\\s]+[/\\][^/\\\s]+[/\\]")
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Request:
    """A load as it is asked for: the files, how they are read, and what may register itself."""

    files: tuple[Path, ...]
    map_name: str | None = None
    register_new: bool = False
    as_kind: str | None = None


class Uploads:
    """Uploaded files of one visit, on disk under their own names; gone with ``clear``, or with the visit."""

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix=_UPLOAD))
        self._written: dict[str, Path] = {}
        self._gone = weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)

    def path(self, upload: Any) -> Path:
        """Where an upload lies; written once."""
        if upload.file_id not in self._written:
            folder = self._folder / hashlib.sha256(str(upload.file_id).encode()).hexdigest()[:12]
            folder.mkdir(exist_ok=True)
            target = folder / _safe_name(str(upload.name))
            upload.seek(0)
            with target.open("wb") as out:
                shutil.copyfileobj(upload, out)
            self._written[upload.file_id] = target
        return self._written[upload.file_id]

    def text(self, name: str, content: str) -> Path:
        """A small text file beside the uploads."""
        target = self._folder / name
        target.write_text(content, encoding="utf-8")
        return target

    def clear(self) -> None:
        """Remove everything."""
        self._gone()
        self._written.clear()


def _safe_name(name: str) -> str:
    r"""The last part of what a browser says a file is called, without what leads elsewhere or no disk can hold.

    >>> _safe_name("../../log.csv"), _safe_name(".."), _safe_name(r"a\b.csv")
    ('log.csv', 'upload', 'b.csv')
    """
    last = re.split(r"[/\\]", name)[-1]
    kept = "".join(one for one in last if one.isprintable()).strip(". ")
    return kept[-100:] or "upload"


def previews(request: Request) -> list[Any]:
    """First rows, kind, and problems of each table in the files."""
    from analytics.records.preview import preview

    return [
        one for file in request.files for one in preview(file, column_map=request.map_name, store=place.store_path())
    ]


def rehearse(request: Request, progress: Progress | None = None) -> LoadReport:
    """What a load would do; nothing is written. UserError for what concerns a whole file."""
    from analytics.records.load import load_files

    return load_files(
        place.store_path(),
        list(request.files),
        by="rehearsal",
        as_kind=request.as_kind,
        column_map=request.map_name,
        register_new=request.register_new,
        dry_run=True,
        progress=progress,
        create=True,
    )


def own_names(text: str) -> str:
    """A message with the uploads called by their own names, not by where they lie."""
    return _FOLDER.sub("", text)


def outcome(report: LoadReport) -> pd.DataFrame:
    """One row a file: what it holds and what becomes of its rows."""
    return pd.DataFrame(
        [
            {
                "file": own_names(one.file),
                "kind": one.kind,
                "rows": one.rows,
                "new": one.stored,
                "there": one.already_there,
                "held": one.held,
            }
            for one in report.files
        ],
        columns=["file", "kind", "rows", "new", "there", "held"],
    )


def held_rows(report: LoadReport) -> pd.DataFrame:
    """The first held rows, each with its reason in words and what to do."""
    rows = report.held_frame.head(MOST_HELD_SHOWN)
    return rows.assign(
        reason=[reason_in_words(one) for one in rows["reason"]], file=[own_names(one) for one in rows["file"]]
    )


def held_by_reason(report: LoadReport) -> pd.DataFrame:
    """How many rows are held for which reason, most first, with the first row as an example."""
    frame = report.held_frame
    if frame.empty:
        return pd.DataFrame(columns=["many", "reason", "example", "hint"])
    groups = frame.groupby("reason", sort=False)
    found = pd.DataFrame(
        {
            "many": groups.size(),
            "reason": [reason_in_words(str(one)) for one, _ in groups],
            "example": [
                f"{own_names(g['file'].iloc[0])} row {g['row'].iloc[0]}, {g['column'].iloc[0]} = {g['value'].iloc[0]}"
                for _, g in groups
            ],
            "hint": [g["hint"].iloc[0] for _, g in groups],
        }
    )
    return found.sort_values("many", ascending=False, kind="stable").reset_index(drop=True)


def difference(rehearsed: LoadReport, done: LoadReport) -> str:
    """Empty where the load did what was rehearsed; else a sentence that says how it differs."""

    def numbers(one: LoadReport) -> tuple[int, int, int]:
        return one.stored, one.already_there, one.held_count

    if numbers(rehearsed) == numbers(done):
        return ""
    words = ("new", "already there", "held")
    parts = [
        f"{after} {word} instead of {before}"
        for before, after, word in zip(numbers(rehearsed), numbers(done), words, strict=True)
        if before != after
    ]
    return "The records changed since the rehearsal: " + ", ".join(parts) + "."


def in_words(report: LoadReport) -> str:
    """The outcome in one sentence."""
    return (
        f"{values.count(report.rows, 'row')} in {values.count(len(report.files), 'table')}: **{report.stored} new**, "
        f"{report.already_there} already there, **{report.held_count} held**."
    )


def loads() -> pd.DataFrame:
    """All loads, newest first."""
    from analytics.records.undo import loads as of_store

    return of_store(place.store_path()) if read.exists() else pd.DataFrame(columns=["load"])


def held() -> pd.DataFrame:
    """The rows that wait, with their reasons in words."""
    from analytics.records.held import held as of_store

    rows = of_store(place.store_path())
    return rows.assign(
        reason=[reason_in_words(str(one)) for one in rows["reason"]],
        hint=[str(one).replace("`", "") for one in rows["hint"]],
    )


def map_names() -> list[str]:
    """Names of the saved column maps."""
    from analytics.records.saved_maps import maps

    return list(maps(place.store_path())) if read.exists() else []


def held_csv(load: int | None) -> bytes:
    """Held rows as a CSV file to be mended and released."""
    from analytics.records.held import export_held

    with tempfile.TemporaryDirectory(prefix="steadycount-held-") as folder:
        target = Path(folder) / "held.csv"
        export_held(place.store_path(), target, load=load)
        return target.read_bytes()


def names_in(request: Sequence[Path]) -> str:
    """The files' names in a row."""
    return ", ".join(one.name for one in request)
