"""The store's records as Parquet: readings in one folder a site, every registry a file, all of one revision.

    FOLDER/readings/site=North/readings-0.parquet   the hive layout that data tools read; the site percent-encoded
    FOLDER/probes.parquet, sources.parquet, …       tables that can be loaded, with the contract's columns
    FOLDER/people/                                  what loading does not take: decisions, exclusions, excluded readings
    FOLDER/settings.json, manifest.json             the store's own settings; what each file is

The readings that are not excluded, as corrected, and the other tables load into a new store, which then gives the same
answer. Each file carries revision, version and the head of the history in its metadata.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import pyarrow as pa
import pyarrow.parquet as pq

from analytics import __version__
from analytics.records import visible
from analytics.records.columns import TABLES, Table
from analytics.records.history import head_in
from analytics.records.reader import NO_SITE
from analytics.records.sql import literal, quoted
from analytics.records.store import Store, revision_in
from analytics.records.store_settings import layer_in

if TYPE_CHECKING:
    import duckdb

LONGEST = 120  # bytes of a folder's name; a longer site is cut and given a part of its hash
_HIDDEN = "reading_id IN (SELECT reading_id FROM exclusion WHERE lifted_at IS NULL)"


@dataclass(frozen=True)
class Exported:
    """What was written: file (relative to the folder), kind of table, rows; and what does not load back exactly."""

    revision: int
    files: tuple[tuple[str, str, int], ...]
    notes: tuple[str, ...]


def site_folder(site: str) -> str:
    """The folder of a site: ``site=`` and its name percent-encoded, so that any text is a safe name.

    >>> site_folder("North"), site_folder("A/B ü."), site_folder("..")
    ('site=North', 'site=A%2FB%20%C3%BC%2E', 'site=%2E%2E')
    """
    name = quote(site, safe="-_")
    name = re.sub(r"\.", "%2E", name)
    if len(name) > LONGEST:
        name = name[:LONGEST].rsplit("%", 1)[0] + "~" + hashlib.sha256(site.encode()).hexdigest()[:12]
    return f"site={name}"


def export(
    path: str | Path, folder: Path, *, by: str, at: datetime, progress: Callable[[str, float], None] | None = None
) -> Exported:
    """Write everything into an empty folder that is there; UserError where there is no sound store.

    at: when it is made, site-local; stands in the metadata. The folder is the caller's: to move when whole, or to remove.
    """
    tell = progress or (lambda _what, _share: None)
    with Store(path, purpose="steadycount export").reading() as con:
        revision, head = revision_in(con), head_in(con)
        about = {
            "steadycount.version": __version__,
            "steadycount.revision": str(revision),
            "steadycount.history_head": head,
            "steadycount.exported_at": at.isoformat(timespec="seconds"),
            "steadycount.exported_by": by,
        }
        files: list[tuple[str, str, int]] = []

        def put(name: str, kind: str, table: pa.Table, **more: str) -> None:
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            meta = {**about, "steadycount.kind": kind, **more}
            pq.write_table(table.replace_schema_metadata(meta), target, compression="zstd")
            files.append((name, kind, table.num_rows))

        for kind in TABLES:
            if kind != "readings" and (table := _rows(con, TABLES[kind])).num_rows:
                put(f"{kind}.parquet", kind, table)
        notes = _readings(con, put, tell)
        _people(con, put)
        (folder / "settings.json").write_text(json.dumps(layer_in(con), indent=1, sort_keys=True), encoding="utf-8")
    manifest = {
        **{key.removeprefix("steadycount."): value for key, value in about.items()},
        "revision": revision,
        "files": [{"file": name, "kind": kind, "rows": rows, "sha256": _digest(folder / name)} for name, kind, rows in files],
        "notes": notes,
    }
    (folder / "manifest.json").write_text(json.dumps(manifest, indent=1, ensure_ascii=False), encoding="utf-8")
    return Exported(revision, tuple(files), tuple(notes))


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _rows(con: duckdb.DuckDBPyConnection, table: Table) -> pa.Table:
    """The current rows with the contract's columns and what was kept beside them; ordered by key."""
    listed = ", ".join(f"r.{quoted(name)}" for name in table.names)
    order = quoted(table.number or table.key[0])
    if table.kind == "probes":
        listed = listed.replace('r."site"', f"coalesce(r.site, {literal(NO_SITE)}) AS site")
    where = " WHERE (" + " OR ".join(f"r.{quoted(n)} IS NOT NULL" for n in table.any_of[0]) + ")" if table.kind == "windows" else ""
    found = con.sql(
        f"SELECT {listed}, r.extra FROM ({visible.current(table)}) r{where} ORDER BY r.{order}"
    ).to_arrow_table()
    return _unfolded(found, table)


def _unfolded(found: pa.Table, table: Table) -> pa.Table:
    """Columns that were not known when loaded, back as columns of their own; empty optional columns left out."""
    texts = found.column("extra")
    found = found.drop_columns(["extra"])
    needed = {column.name for column in table.columns if column.required}
    for name in found.column_names:
        if name not in needed and found.column(name).null_count == found.num_rows:
            found = found.drop_columns([name])
    if texts.null_count < len(texts):
        kept = [json.loads(one) if one else {} for one in texts.to_pylist()]
        for name in dict.fromkeys(key for one in kept for key in one):
            if name not in table.names and name not in found.column_names:
                values = [None if one.get(name) is None else str(one[name]) for one in kept]
                found = found.append_column(name, pa.array(values, pa.string()))
    return found


def _readings(
    con: duckdb.DuckDBPyConnection, put: Callable[..., None], tell: Callable[[str, float], None]
) -> list[str]:
    """One or more files a site, in the order of storage; displayed rates as text that keeps their last digit."""
    table = TABLES["readings"]
    listed = ", ".join(f"r.{quoted(name)}" for name in table.names)
    source = (
        f"FROM ({visible.current(table)}) r LEFT JOIN ({visible.current(TABLES['probes'])}) p ON p.probe = r.probe"
        f" WHERE NOT r.{_HIDDEN}"
    )
    groups = con.execute(
        f"SELECT DISTINCT coalesce(p.site, {literal(NO_SITE)}) AS site, r.rate_step_cps {source} ORDER BY 1, 2 NULLS FIRST"
    ).fetchall()
    coarse = 0
    for number, (site, step) in enumerate(groups):
        tell(f"Readings of {site}", 0.1 + 0.9 * number / len(groups))
        same = "IS NULL" if step is None else f"= {step!r}"
        found = con.sql(
            f"SELECT {listed}, r.extra {source} AND coalesce(p.site, {literal(NO_SITE)}) = {literal(site)}"
            f" AND r.rate_step_cps {same} ORDER BY r.reading_id"
        ).to_arrow_table()
        found = _unfolded(found, table)
        if step is not None:
            places = next((n for n in range(16) if abs(10.0**-n - step) <= 1e-9 * step), None)
            coarse += 0 if places is not None else found.num_rows
            rates = found.column("rate_cps").to_pylist()
            text = pa.array([f"{one:.{places}f}" if places is not None else repr(one) for one in rates], pa.string())
            found = found.set_column(found.column_names.index("rate_cps"), "rate_cps", text)
        put(f"readings/{site_folder(site)}/readings-{number}.parquet", "readings", found, **{"steadycount.site": site})
    if not coarse:
        return []
    note = "displayed rates came in another unit, so that their last digit is no decimal one; loaded back, their rounding differs."
    return [f"{coarse} {note}"]


def _people(con: duckdb.DuckDBPyConnection, put: Callable[..., None]) -> None:
    """What people decided, and the readings they excluded; kept for the record."""
    table = TABLES["readings"]
    listed = ", ".join(f"r.{quoted(name)}" for name in table.names)
    several = {
        "people/decisions.parquet": "SELECT * FROM decision ORDER BY decision_id",
        "people/exclusions.parquet": "SELECT * FROM exclusion ORDER BY excluded_at, reading_id",
        "people/excluded_readings.parquet": f"SELECT r.reading_id, {listed} FROM ({visible.current(table)}) r"
        f" WHERE r.{_HIDDEN} ORDER BY r.reading_id",
        "people/history.parquet": "SELECT * FROM change ORDER BY revision",
    }
    for name, query in several.items():
        found: Any = con.sql(query).to_arrow_table()
        if found.num_rows:
            put(name, Path(name).stem, found)
