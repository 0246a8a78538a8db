"""A watched folder: what lies ready in it is loaded and moved to ``done`` or ``held``, with a report beside it.

The order is: load (one transaction), write the report, move. Killed between two of these, the file still lies in the
folder; on the next look its rows are already there, and it is moved. So nothing is lost and nothing is doubled.
A file is ready once two looks find it the same. Links are not followed, and folders are not looked into.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analytics.errors import UnavailableError, UserError
from analytics.records.lease import holder, lease
from analytics.records.load import load_files, rank
from analytics.records.report import LoadReport
from analytics.records.saved_maps import find_map
from analytics.records.store_settings import site_now

DONE, HELD = "done", "held"
LONGEST_NAME_BYTES = 200  # leaves room for the endings of the files beside it
MOST_LISTED = 1000
_UNFINISHED = (".part", ".tmp", ".crdownload", ".partial", ".filepart")  # how programs call a file they still write
_Print = tuple[int, int, int]  # size, time of the last change, inode


@dataclass(frozen=True)
class How:
    """How the files of a folder are loaded; as in ``load_files``."""

    by: str
    column_map: str | None = None
    register_new: bool = False
    time_zone: str | None = None


@dataclass(frozen=True)
class Taken:
    """What became of one file. report: None where the file could not be understood; ``said`` then says why."""

    file: str
    outcome: str
    moved_to: Path
    said: str
    report: LoadReport | None

    def as_json(self) -> dict[str, Any]:
        """One entry of the command's document; counts are null where the file could not be understood."""
        one = self.report
        return {
            "file": self.file,
            "outcome": self.outcome,
            "moved_to": str(self.moved_to),
            "load": one.load if one else None,
            "rows": one.rows if one else None,
            "stored": one.stored if one else None,
            "already_there": one.already_there if one else None,
            "held": one.held_count if one else None,
            "reason": "" if one else self.said,
        }


class WatchedFolder:
    """A folder between two looks. Made by ``watched``, which keeps a second watch away from it."""

    def __init__(self, folder: Path, store: Path) -> None:
        self.folder, self._store = folder, store.absolute()
        self._seen: dict[str, _Print] = {}
        self._given_up: dict[str, _Print] = {}
        self._told: set[str] = set()

    def look(self) -> tuple[list[Path], list[str]]:
        """The files that are the same as at the look before, and sentences on what is newly passed over.

        Raises:
            UnavailableError: the folder cannot be looked into now (it was taken away, say).
        """
        now: dict[str, _Print] = {}
        told: list[str] = []
        try:
            entries = sorted(os.scandir(self.folder), key=lambda one: one.name)
        except OSError as error:
            raise UnavailableError(
                f"the folder cannot be looked into ({error.strerror})", where=str(self.folder), do="Is it still there?"
            ) from error
        for entry in entries:
            if self._is_none_of_ours(entry.name):
                continue
            why = _passed_over(entry)
            if why is None:
                if (state := _print_of(Path(entry.path))) is not None:
                    now[entry.name] = state
            elif entry.name not in self._told:
                self._told.add(entry.name)
                told.append(f"{shown(entry.name)}: {why}")
        ready = [name for name, state in now.items() if self._seen.get(name) == state != self._given_up.get(name)]
        self._seen = now
        return [self.folder / name for name in ready], told

    def still_growing(self) -> list[str]:
        """Files that the last look found, and that are neither ready nor given up."""
        return [shown(name) for name, state in self._seen.items() if self._given_up.get(name) != state]

    def _is_none_of_ours(self, name: str) -> bool:
        """Hidden files, unfinished ones, and a store that lies in the folder."""
        if name.startswith((".", "~$")) or name.casefold().endswith(_UNFINISHED):
            return True
        store = self._store.name
        return self._store.parent == self.folder and (name == store or name.startswith(store + "."))

    def is_as_seen(self, file: Path) -> bool:
        """Whether a file is still what the last look saw."""
        return _print_of(file) == self._seen.get(file.name)

    def leave(self, file: Path) -> None:
        """Do not try this file again until it changes."""
        if (state := _print_of(file)) is not None:
            self._given_up[file.name] = state

    def move(self, file: Path, outcome: str, text: str) -> Path:
        """Write the report and move the file; returns where it lies now. Nothing there is ever overwritten."""
        target = _free_name(self.folder / outcome, file.name)
        report = target.with_name(target.name + ".report.txt")
        draft = report.with_name(report.name + ".part")
        draft.write_text(text, encoding="utf-8")
        draft.replace(report)
        try:
            file.rename(target)
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
            part = target.with_name(target.name + ".part")  # the folder is a disk of its own
            shutil.copy2(file, part)
            part.replace(target)
            file.unlink()
        self._seen.pop(file.name, None)
        return target


@contextmanager
def watched(folder: Path, store: Path) -> Iterator[WatchedFolder]:
    """A folder for as long as it is watched; ``done`` and ``held`` are made in it.

    Raises:
        UserError: no such folder, one that cannot be written to, ``done`` or ``held`` leads out of it, or another
            watch has it.
    """
    if not folder.is_dir():
        raise UserError("there is no such folder", where=str(folder), do="Make it first, or check its name.")
    folder = folder.resolve()
    for name in (DONE, HELD):
        place = folder / name
        if place.is_symlink() or (place.exists() and not place.is_dir()):
            raise UserError(f"`{name}` in it is not a folder of its own", where=str(folder), do="Rename it.")
        try:
            place.mkdir(exist_ok=True)
        except OSError as error:
            raise UserError(
                f"the folder cannot be written to ({error.strerror})", where=str(folder), do="Files are moved in it."
            ) from error
    mark = folder / ".steadycount-watch"
    ticket = lease(mark, exclusive=True, purpose="steadycount watch", wait_s=0.0)
    try:
        ticket.__enter__()
    except UserError as error:
        raise UserError(f"{holder(mark)} watches it already", where=str(folder), do="One watch is enough.") from error
    try:
        yield WatchedFolder(folder, store)
    finally:
        ticket.__exit__(None, None, None)


def take_all(
    store: Path, folder: WatchedFolder, files: list[Path], how: How, failed: Callable[[Exception], str]
) -> Iterator[Taken]:
    """Load files one by one, registries first, and move each. ``failed`` words what no file should be able to cause.

    A file that is written to again while it is loaded stays: the next look takes it once more.

    Raises:
        UnavailableError: the store or the disk cannot serve this now; the files not yet taken stay where they are.
    """
    cmap = find_map(store, how.column_map)
    for file in sorted(files, key=lambda one: (rank(one, cmap), one.name)):
        report, said = None, ""
        try:
            report = load_files(
                store,
                [file],
                by=how.by,
                column_map=how.column_map,
                register_new=how.register_new,
                time_zone=how.time_zone,
                create=True,
            )
        except UnavailableError:
            raise
        except UserError as error:
            said = str(error)
        except Exception as error:  # noqa: BLE001 - one file must not stop the watch; it is held, and the log has the rest
            said = failed(error)
        if not folder.is_as_seen(file):
            continue
        outcome = HELD if report is None or report.held_count else DONE
        try:
            moved = folder.move(file, outcome, _report_text(file, store, how, report, said))
        except OSError as error:
            folder.leave(file)
            raise UnavailableError(
                f"the file was taken in, but cannot be moved ({error.strerror})",
                where=str(file),
                do="It stays until it changes, or the watch is started anew; its rows are not stored twice.",
            ) from error
        yield Taken(shown(file.name), outcome, moved, said, report)


def shown(name: str) -> str:
    """A file name that can be written anywhere: bytes that are no text, and line ends, as question marks."""
    return "".join(one if one.isprintable() else "?" for one in name.encode("utf-8", "replace").decode())


def _report_text(file: Path, store: Path, how: How, report: LoadReport | None, said: str) -> str:
    from analytics.records.load import zone_of

    lines = [
        f"File    {shown(file.name)}, sha256 {_digest(file)}",
        f"Taken   {site_now(how.time_zone or zone_of(store))} by {how.by}, into {shown(str(store))}",
    ]
    if report is None:
        lines += ["", "This file was not loaded, and nothing was changed:", said, ""]
        lines += ["Put the mended file into the watched folder again."]
        return "\n".join(lines) + "\n"
    lines += [f"Load    {report.load}" if report.load is not None else "Load    none: nothing in it was new", ""]
    lines += [one.replace(str(file), shown(file.name)) for one in report.sentences()]
    if report.held_count:
        held = report.held[:MOST_LISTED]
        lines += ["", "Held rows wait in the store, with their reasons:"]
        lines += [f"  row {one.row}, {one.column} = {one.value!r}: {one.reason}. {one.hint}" for one in held]
        if report.held_count > len(held):
            lines += [f"  and {report.held_count - len(held)} more"]
        which = f" --load {report.load}" if report.load is not None else ""
        lines += ["", "List, export, mend and release them with `steadycount held`, or on the Import page:"]
        lines += [f"  steadycount held export mend.csv{which} --store {shown(str(store))}"]
        lines += [f"  steadycount held release mend.csv --store {shown(str(store))}"]
    return "\n".join(lines) + "\n"


def _digest(file: Path) -> str:
    try:
        with file.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return "not known: it cannot be read"


def _passed_over(entry: os.DirEntry[str]) -> str | None:
    """Why something in the folder is not taken; None for a plain file."""
    try:
        if entry.is_symlink():
            return "a link is not followed; put the file itself here"
        if entry.is_dir(follow_symlinks=False):
            return None if entry.name in (DONE, HELD) else "a folder in the folder is not looked into"
    except OSError as error:
        return f"it cannot be looked at ({error.strerror})"
    return None if entry.is_file(follow_symlinks=False) else "this is no file"


def _print_of(file: Path) -> _Print | None:
    """Size, time and inode of a plain file; None where it is none, or gone."""
    try:
        state = file.lstat()
    except OSError:
        return None
    return (state.st_size, state.st_mtime_ns, state.st_ino) if stat.S_ISREG(state.st_mode) else None


def _free_name(folder: Path, name: str) -> Path:
    """The name in that folder, with a number before its ending where it is taken, and shortened where too long."""
    cut = Path(name)
    stem, ending = cut.stem, cut.suffix
    while len((stem + ending).encode("utf-8", "surrogateescape")) > LONGEST_NAME_BYTES:
        stem, ending = (stem[:-1], ending) if len(stem) > 1 else (stem, ending[:-1])
    number = 1
    target = folder / (stem + ending)
    while os.path.lexists(target):
        number += 1
        target = folder / f"{stem}-{number}{ending}"
    return target
