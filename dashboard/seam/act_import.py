"""What the Import page writes: loads, undone loads, released and closed held rows, saved column maps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from analytics.records.column_map import ColumnMap
from analytics.records.report import LoadReport
from dashboard.seam.intake import Progress, Request
from dashboard.seam.place import store_path
from dashboard.seam.signature import because, named


def commit(request: Request, *, by: str, progress: Progress | None = None) -> LoadReport:
    """Load what was rehearsed, all or nothing; makes the store if there is none."""
    from analytics.records.load import load_files

    return load_files(
        store_path(),
        list(request.files),
        by=named(by),
        as_kind=request.as_kind,
        column_map=request.map_name,
        register_new=request.register_new,
        progress=progress,
        create=True,
    )


def undo(load: int, *, by: str, reason: str) -> int:
    """Take a load back; the number of rows taken back."""
    from analytics.records.undo import undo as take_back

    return take_back(store_path(), load, by=named(by), reason=because(reason))


def release(
    held_ids: Sequence[int],
    fixes: Mapping[int, Mapping[str, str]],
    *,
    by: str,
    register_new: bool,
    accept_names: bool,
    accept_changes: bool,
    reason: str = "",
) -> LoadReport:
    """Load held rows with what was mended in them; those that are still wrong stay held."""
    from analytics.records.held import release_held

    return release_held(
        store_path(),
        list(held_ids),
        by=named(by),
        fixes=fixes,
        register_new=register_new,
        accept_names=accept_names,
        accept_changes=accept_changes,
        reason=reason,
    )


def release_file(file: Path, *, by: str, register_new: bool) -> LoadReport:
    """Load a mended export of held rows."""
    from analytics.records.held import release_file as of_file

    return of_file(store_path(), file, by=named(by), register_new=register_new)


def close(held_ids: Sequence[int], *, by: str, reason: str) -> int:
    """Close held rows without loading them; they stay in the history."""
    from analytics.records.held import discard_held

    return discard_held(store_path(), list(held_ids), by=named(by), reason=because(reason))


def save_map(name: str, column_map: ColumnMap, *, by: str) -> None:
    """Keep a column map under a name."""
    from analytics.records.saved_maps import save_map as keep

    keep(store_path(), name, column_map, by=named(by))
