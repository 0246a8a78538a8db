"""Loading files: read and check everything first, then one short transaction; every row is accounted for."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.errors import UserError
from analytics.records import held_rows, history, schema, visible
from analytics.records.access import permit
from analytics.records.column_map import ColumnMap
from analytics.records.columns import TABLES
from analytics.records.drafts import take_draft
from analytics.records.headings import HELD_ID, Layout, is_known, lay_out
from analytics.records.intake.formats import open_tables
from analytics.records.intake.raw import RawTable
from analytics.records.merge import Merge, Permits, cells_sql
from analytics.records.preview import Preview, preview
from analytics.records.report import FileCount, LoadReport
from analytics.records.saved_maps import find_map
from analytics.records.sql import QUIET, first, quoted, scalar
from analytics.records.staging import StagedFile, Staging
from analytics.records.store import Store, exists, finish_birth
from analytics.records.store_settings import settings_layer, site_now, zone_in
from analytics.records.wide import spread
from analytics.records.write import beside, digests, insert_new, register_names

if TYPE_CHECKING:
    import duckdb

__all__ = ["LoadReport", "Preview", "commit", "enter_load", "load_files", "next_load", "preview", "zone_of"]
Progress = Callable[[str, float], None]


def load_files(
    path: str | Path,
    files: Sequence[str | Path],
    *,
    by: str,
    as_kind: str | None = None,
    column_map: str | None = None,
    register_new: bool = False,
    dry_run: bool = False,
    progress: Progress | None = None,
    now: datetime | None = None,
    time_zone: str | None = None,
    create: bool = False,
) -> LoadReport:
    """Load files into the store as one load; see contract.md, "What loading promises".

    column_map: name of a map saved in the store, or path of a TOML file. now: site-local; what lies after it is future.
    time_zone: the site's, for times that carry an offset; default: from the store's settings. create: make the store if
    there is none. dry_run: everything but the writing.

    Raises:
        UserError: a file cannot be understood as a whole, or the store cannot be used. Nothing is changed then.
    """
    if not files:
        raise UserError("no file was named", do="Name at least one file to load.")
    if not create and not exists(path):
        raise UserError("there is no store", where=str(path), do="Make one first, or name another with --store.")
    if create and not dry_run:
        finish_birth(path)
    zone = time_zone or zone_of(path)
    moment = now or site_now(zone)
    cmap = find_map(path, column_map)
    tables = _open_all(files, as_kind, cmap)
    with Staging(zone, moment) as staging:
        for raw, layout in sorted(tables, key=lambda one: list(TABLES).index(one[1].table.kind)):
            staging.add(raw, layout, lambda done, file=raw.file: progress and progress(file, done))  # type: ignore[misc]
        order = {raw.file: place for place, (raw, _) in enumerate(tables)}
        plan = Plan(
            by=by,
            permits=Permits(register_new=register_new),
            dry_run=dry_run,
            create=create,
            order=[order[one.file] for one in staging.files],
        )
        return commit(path, staging, plan, progress)


def zone_of(path: str | Path) -> str:
    """The site's time zone by the store's settings, or as shipped where there is no store."""
    from analytics import settings

    return settings.load(settings_layer(path)).site.time_zone


def _open_all(files: Sequence[str | Path], as_kind: str | None, cmap: ColumnMap) -> list[tuple[RawTable, Layout]]:
    """Every table of every file with its layout; what is wrong with any of them comes in one error."""
    tables: list[tuple[RawTable, Layout]] = []
    problems: list[UserError] = []
    for file in files:
        try:
            raws = open_tables(Path(file), _shown(file), is_known)
        except UserError as error:
            problems.append(error)
            continue
        for raw in raws:
            try:
                if HELD_ID in raw.headings:
                    raise UserError(  # noqa: TRY301 - all that is wrong with the files is said at once
                        "this is an export of held rows",
                        where=raw.file,
                        do="Mend it and `steadycount held release` it, so that the rows it mends are settled.",
                    )
                if cmap.wide and as_kind in (None, "readings"):
                    tables += spread(raw, cmap)
                else:
                    tables.append((raw, lay_out(raw.file, raw.headings, as_kind, cmap)))
            except UserError as error:
                problems.append(error)
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise UserError(
            "; ".join(f"{one.where}: {one.what}" for one in problems),
            where=f"{len(problems)} files cannot be read",
            do="Mend them and load again; nothing was changed.",
        )
    return tables


def _shown(file: str | Path) -> str:
    """A file's path as text that can be stored: bytes of a name that are no text become question marks."""
    return str(file).encode("utf-8", "replace").decode()


def rank(file: Path, column_map: ColumnMap) -> int:
    """Where in the order of loading the tables of a file stand, registries first; last where it cannot be told."""
    try:
        kinds = [table.kind for _, layout in _open_all([file], None, column_map) for table in (layout.table,)]
    except UserError:
        return len(TABLES)
    return min(list(TABLES).index(kind) for kind in kinds)


@contextmanager
def _opened(path: str | Path, *, dry_run: bool, create: bool) -> Iterator[duckdb.DuckDBPyConnection]:
    """A writing transaction; where there is no store yet, a dry run gets an empty one in memory."""
    if not dry_run or exists(path):
        with Store(path, create=create and not dry_run, purpose="steadycount load").writing() as con:
            yield con
        return
    import duckdb

    con = duckdb.connect()
    con.execute(QUIET)
    try:
        schema.migrate(con, 0)
        yield con
    finally:
        con.close()


class _NothingToWriteError(Exception):
    """Rolls the transaction back: a dry run, or nothing that was new."""

    def __init__(self, report: LoadReport, why: str) -> None:
        super().__init__(why)
        self.report = replace(report, load=None, notes=(why,) if why else ())


@dataclass(frozen=True)
class Plan:
    """How what is staged is to be loaded.

    order: place of each staged file in the report. names: to keep with the rows, where not the files' own.
    releasing: (file number, row) -> held row that it mends: settled if it gets in, not held a second time if not.
    all_or_none: where a row would be held, nothing is written. entry: (kind, key) of the one registry entry that is
    changed, so that the history says what stood there before. draft_id: the draft that this becomes; it is gone then.
    """

    by: str
    permits: Permits
    action: str = "load"
    reason: str = ""
    dry_run: bool = False
    create: bool = False
    all_or_none: bool = False
    order: Sequence[int] | None = None
    names: Mapping[int, str] | None = None
    releasing: Mapping[tuple[int, int], int] | None = None
    entry: tuple[str, str] | None = None
    draft_id: int | None = None


def commit(path: str | Path, staging: Staging, plan: Plan, progress: Progress | None = None) -> LoadReport:
    """What is staged into the store in one transaction, or for a dry run only what that would do."""
    staging.number_repeats()
    if progress:
        progress("comparing with the store", 0.0)
    try:
        with _opened(path, dry_run=plan.dry_run, create=plan.create) as con:
            report = _carry_out(con, staging, plan)
    except _NothingToWriteError as nothing:
        return nothing.report
    if progress:
        progress("stored", 1.0)
    return report


def _carry_out(con: duckdb.DuckDBPyConnection, staging: Staging, plan: Plan) -> LoadReport:
    """Compare and write inside the caller's transaction; raises _NothingToWriteError where it is to be rolled back."""
    if not plan.dry_run:
        permit(con, plan.by, plan.action)  # before the work, and not only at its end
    files = {one.number: one for one in staging.files}
    is_file = plan.action == "load"
    names = plan.names or {number: Path(one.file).name if is_file else one.file for number, one in files.items()}
    held, counts = [held_rows.from_faults(staging.faults(), staging.now)], dict.fromkeys(files, (0, 0))
    load, stored, registered = next_load(con), 0, list[str]()
    stood = _entry(con, plan.entry)
    for table in TABLES.values():
        rows = staging.sound(table)
        if rows is None:
            continue
        merge = Merge(con, table, plan.permits, without_twins=staging.without_twins and table.kind == "readings")
        merge.run(rows)
        staging.forget(table)
        counts |= merge.counts()
        held.append(held_rows.from_merge(merge.held(), table.kind, files))
        stored += insert_new(con, table, plan.permits, load, names)
        registered += register_names(con, table, merge.fresh, load)
        held_rows.settle_by_load(con, table, cells_sql(table, "i"), load)
    frame = pd.concat([one for one in held if len(one)] or [held_rows.empty()], ignore_index=True)
    report = _report(load, files, counts, frame, plan.order, tuple(registered))
    if plan.dry_run:
        raise _NothingToWriteError(report, "")
    if plan.all_or_none and len(frame):
        raise _NothingToWriteError(report, "nothing was written: rows need mending")
    if plan.releasing is not None:
        kept = held_rows.settle(con, plan.releasing, frame, load)
    else:
        kept = held_rows.keep(con, frame, load, names)
    if not stored + kept:
        raise _NothingToWriteError(report, "nothing new: nothing was written")
    before, also = _difference(stood, _entry(con, plan.entry))
    if plan.releasing:
        before = {"held_id": sorted(plan.releasing.values())}
    if plan.draft_id is not None and (draft := take_draft(con, plan.draft_id)) is not None:
        before = {"draft": draft}
    enter_load(
        con,
        report,
        by=plan.by,
        names=list(dict.fromkeys(names.values())),
        action=plan.action,
        reason=plan.reason,
        subject=" ".join(plan.entry) if plan.entry else None,
        before=before or None,
        also=also,
    )
    return report


def _entry(con: duckdb.DuckDBPyConnection, entry: tuple[str, str] | None) -> dict[str, Any]:
    """The columns of a registry entry as they stand now; empty where none is asked for."""
    if entry is None:
        return {}
    table = TABLES[entry[0]]
    listed = ", ".join(map(quoted, table.names))
    found = first(con, f"SELECT {listed} FROM ({visible.current(table)}) WHERE {quoted(table.key[0])} = ?", [entry[1]])
    return dict(zip(table.names, found, strict=True)) if found else {}


def _difference(stood: dict[str, Any], stands: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """What differs between two states of an entry: as it was, and as it is."""
    changed = [name for name in stands if stood.get(name) != stands[name]]
    return {name: stood.get(name) for name in changed}, {name: stands[name] for name in changed}


def next_load(con: duckdb.DuckDBPyConnection) -> int:
    """The number of the load that is about to be entered."""
    return int(scalar(con, 'SELECT coalesce(max("load"), 0) + 1 FROM "load"'))


def _report(
    load: int,
    files: dict[int, StagedFile],
    counts: dict[int, tuple[int, int]],
    held: pd.DataFrame,
    order: Sequence[int] | None,
    registered: tuple[str, ...],
) -> LoadReport:
    """The report in the order in which the files were named."""
    place = dict(zip(files, order, strict=True)) if order is not None else {number: number for number in files}
    listed = tuple(
        FileCount(
            one.file, one.layout.table.kind, one.rows, *counts[one.number], int((held["file_no"] == one.number).sum())
        )
        for one in sorted(files.values(), key=lambda one: place[one.number])
    )
    for one in listed:
        if one.stored + one.already_there + one.held != one.rows:
            raise AssertionError(f"{one.file}: {one.stored} + {one.already_there} + {one.held} is not {one.rows} rows")
    frame = held.assign(place=held["file_no"].map(place)).sort_values(
        ["place", "row"], kind="stable", ignore_index=True
    )
    return LoadReport(load, listed, frame, registered)


def _touched(report: LoadReport) -> set[str]:
    """The tables that rows of a load may stand in; names that register themselves stand in two more."""
    return {TABLES[one.kind].stored_in for one in report.files} | (
        {"probe", "energy_window"} if report.registered else set()
    )


def enter_load(
    con: duckdb.DuckDBPyConnection,
    report: LoadReport,
    *,
    by: str,
    names: list[str],
    action: str,
    reason: str,
    subject: str | None = None,
    before: Mapping[str, object] | None = None,
    also: Mapping[str, object] | None = None,
) -> None:
    """The load itself and its change in the history, with a digest of its rows.

    subject: what was changed, where not simply the load; before: what stood there; also: more of what stands now.
    """
    load, loaded_at = report.load, site_now(zone_in(con))
    con.execute(
        'INSERT INTO "load" VALUES (?, ?, ?, ?, ?, ?, ?, ?, NULL, NULL, NULL)',
        [
            load,
            loaded_at,
            by,
            json.dumps(names, ensure_ascii=False),
            report.rows,
            report.stored,
            report.already_there,
            report.held_count,
        ],
    )
    history.record(
        con,
        by=by,
        action=action,
        subject=subject or f"load {load}",
        reason=reason,
        before=before,
        after={
            "load": load,
            "files": names,
            "rows": report.rows,
            "stored": report.stored,
            "already_there": report.already_there,
            "held": report.held_count,
            "registered": list(report.registered),
            "digests": digests(con, load or 0, _touched(report)) | beside(con, load or 0),
            "at": loaded_at,
            **(also or {}),
        },
    )
