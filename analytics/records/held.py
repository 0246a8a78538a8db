"""Held rows: listed, exported, mended, released or given up. None is ever dropped."""

from __future__ import annotations

import csv
import json
from collections.abc import Hashable, Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from analytics.errors import UserError
from analytics.records import history
from analytics.records.column_map import ColumnMap
from analytics.records.headings import HELD_ID, is_known, lay_out
from analytics.records.intake.formats import open_tables
from analytics.records.intake.raw import ROW, cell_name
from analytics.records.load import Plan, commit, zone_of
from analytics.records.merge import Permits
from analytics.records.report import LoadReport
from analytics.records.staging import Staging
from analytics.records.store import Store
from analytics.records.store_settings import site_now
from analytics.records.typed_in import table_of_texts

_WHOLE = ""  # name of the one cell of a row that could not be cut into cells


def held(path: str | Path, *, load: int | None = None, ids: Sequence[int] | None = None) -> pd.DataFrame:
    """The held rows: held_id, load, file, kind, row, column, value, reason, hint, cells (JSON), column_map (TOML)."""
    where, values = "settled IS NULL", list[int]()
    if load is not None:
        where, values = where + ' AND "load" = ?', [load]
    with Store(path).reading() as con:
        rows = con.execute(
            'SELECT held_id, "load", file, kind, "row", "column", value, reason, hint, cells, column_map FROM held_row'
            f" WHERE {where} ORDER BY held_id",
            values,
        ).df()
    if ids is None:
        return rows
    if missing := sorted(set(ids) - set(rows["held_id"])):
        raise UserError(
            f"no such held row: {', '.join(map(str, missing))}", where=str(path), do="`held list` shows those that are."
        )
    return rows[rows["held_id"].isin(list(ids))].reset_index(drop=True)


def export_held(path: str | Path, out: str | Path, *, load: int | None = None) -> int:
    """Write held rows with their reasons to a CSV that can be mended and released; returns how many.

    A cell that a spreadsheet would take for a formula gets an apostrophe before it, which releasing takes off again.

    Raises:
        UserError: the file is there already, or nothing is held.
    """
    out = Path(out)
    rows = held(path, load=load)
    if rows.empty:
        raise UserError("no row is held", where=str(path), do="Nothing needs mending.")
    cells = [json.loads(one) for one in rows["cells"]]
    names = list(dict.fromkeys(name for one in cells for name in one if name != _WHOLE))
    head = [HELD_ID, "held_reason", "held_hint", "held_file", "held_row", "held_kind"]
    try:
        with out.open("x", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow([*head, *map(_no_formula, names)])
            for row, one in zip(rows.to_dict("records"), cells, strict=True):
                said = row["hint"] + (f" The row was: {one[_WHOLE]}" if _WHOLE in one else "")
                head_cells = (row["held_id"], row["reason"], said, row["file"], row["row"], row["kind"])
                writer.writerow(
                    [_no_formula(str(text)) for text in (*head_cells, *(one.get(name) or "" for name in names))]
                )
    except FileExistsError as error:
        raise UserError("the file is there already", where=str(out), do="Choose another name.") from error
    except OSError as error:
        raise UserError(
            f"the file cannot be written ({error.strerror})", where=str(out), do="Choose another place."
        ) from error
    return len(rows)


def _no_formula(text: str) -> str:
    return "'" + text if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def _plain(text: str | None) -> str | None:
    return text[1:] if text and text[0] == "'" and text[1:2] in ("=", "+", "-", "@", "\t", "\r") else text


def release_held(
    path: str | Path,
    held_ids: Sequence[int],
    *,
    by: str,
    fixes: Mapping[int, Mapping[str, Any]] | None = None,
    register_new: bool = False,
    accept_names: bool = False,
    accept_changes: bool = False,
    reason: str = "",
    now: datetime | None = None,
) -> LoadReport:
    """Load held rows again, as they are or with cells mended; those that get in are settled, the others stay held.

    fixes: held_id -> column -> new text (None or "" blanks it). register_new: unknown probes register themselves.
    accept_names: a name nearly like a known one is really new. accept_changes: of a conflict the new values count from
    now on; the old ones stay in the history.
    """
    rows = held(path, ids=held_ids)
    fixes = fixes or {}
    mended: list[tuple[dict[Hashable, Any], dict[str, str | None]]] = []
    for row in rows.to_dict("records"):
        cells: dict[str, str | None] = {name: text for name, text in json.loads(row["cells"]).items() if name != _WHOLE}
        cells |= {
            name: None if value in (None, "") else str(value) for name, value in fixes.get(row["held_id"], {}).items()
        }
        mended.append((row, cells))
    return _release(path, mended, by, Permits(register_new, accept_names, accept_changes), reason, now)


def release_file(
    path: str | Path,
    file: str | Path,
    *,
    by: str,
    register_new: bool = False,
    accept_names: bool = False,
    accept_changes: bool = False,
    reason: str = "",
    now: datetime | None = None,
) -> LoadReport:
    """Load an exported file of held rows after it was mended; it knows which held row each line mends."""
    tables = open_tables(Path(file), str(file), lambda heading: heading == HELD_ID or is_known(heading))
    headings = tables[0].headings
    if HELD_ID not in headings:
        raise UserError(
            f"column `{HELD_ID}` missing",
            where=str(file),
            do="Use a file that was exported from the held rows, or load it as usual.",
        )
    lines: dict[int, dict[str, str | None]] = {}
    for block in tables[0].blocks(lambda _: None):
        for cells in block.to_pylist():
            line = {_plain(heading) or "": _plain(cells[cell_name(i)]) for i, heading in enumerate(headings)}
            number = line.get(HELD_ID) or ""
            if not number.isdigit() or int(number) in lines:
                raise UserError(
                    f"`{number}` is no number of a held row, or stands twice",
                    where=f"{file}, row {cells[ROW]}, {HELD_ID}",
                    do="Leave that column as it was exported.",
                )
            lines[int(number)] = {name: text for name, text in line.items() if not name.startswith("held_")}
    rows = held(path, ids=sorted(lines))
    mended = [(row, lines[row["held_id"]]) for row in rows.to_dict("records")]
    return _release(path, mended, by, Permits(register_new, accept_names, accept_changes), reason, now)


def _release(
    path: str | Path,
    mended: Iterable[tuple[dict[Hashable, Any], dict[str, str | None]]],
    by: str,
    permits: Permits,
    reason: str,
    now: datetime | None,
) -> LoadReport:
    """Stage mended rows under the file, kind and map they came with, and load them."""
    groups: dict[tuple[int, str, str, str | None], list[tuple[int, int, dict[str, str | None]]]] = {}
    for row, cells in mended:
        toml = row["column_map"] if isinstance(row["column_map"], str) else None
        groups.setdefault((row["load"], row["file"], row["kind"], toml), []).append((row["row"], row["held_id"], cells))
    zone = zone_of(path)
    releasing: dict[tuple[int, int], int] = {}
    with Staging(zone, now or site_now(zone)) as staging:
        for (_, file, kind, toml), unordered in groups.items():
            members = sorted(unordered, key=lambda one: one[0])
            width = _with_needed(list(dict.fromkeys(name for _, _, cells in members for name in cells)), kind)
            layout = lay_out(file, width, kind, _without_headings(ColumnMap.from_toml(toml)) if toml else ColumnMap())
            texts = [[cells.get(name) for name in width] for _, _, cells in members]
            staged = staging.add(
                table_of_texts(file, width, texts, [place for place, _, _ in members]),
                layout,
                lambda _: None,
                keep_blank=True,
            )
            releasing |= {(staged.number, place): held_id for place, held_id, _ in members}
        return commit(path, staging, Plan(by, permits, "release", reason, releasing=releasing))


def _with_needed(headings: list[str], kind: str) -> list[str]:
    """The headings and, as blanks, those columns without which a table is refused as a whole."""
    from analytics.records.columns import TABLES

    table = TABLES[kind]
    needed = [one.name for one in table.columns if one.required] + [
        group[0] for group in table.any_of if not set(group) & set(headings)
    ]
    return headings + [name for name in needed if name not in headings]


def _without_headings(cmap: ColumnMap) -> ColumnMap:
    """Cells of held rows stand under our own names already; constants stand among them."""
    from dataclasses import replace

    return replace(cmap, columns={}, constants={}, wide={})


def discard_held(path: str | Path, held_ids: Sequence[int], *, by: str, reason: str) -> int:
    """Give held rows up; they stay in the history. Returns how many."""
    if not reason.strip():
        raise UserError("a reason is needed", where="--reason", do="Say why, in a few words.")
    rows = held(path, ids=held_ids)
    with Store(path).writing() as con:
        con.execute(
            "UPDATE held_row SET settled = 'discarded' WHERE settled IS NULL AND held_id IN (SELECT unnest(?))",
            [list(held_ids)],
        )
        history.record(
            con,
            by=by,
            action="discard",
            subject=f"{len(rows)} held rows",
            reason=reason,
            after={
                "held_id": sorted(int(one) for one in held_ids),
                "rows": rows[["file", "row", "reason", "cells"]].to_dict("records"),
            },
        )
    return len(rows)
