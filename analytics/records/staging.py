"""Staging: a private database in memory where blocks of text become checked rows, before anybody is kept waiting.

Memory is bounded: what does not fit is spilled to a temporary folder.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import datetime
from types import TracebackType
from typing import Self

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.errors import UnavailableError, UserError
from analytics.records import checks, engine, sql
from analytics.records.block_sql import BETWEEN, WITHIN, insert_statement
from analytics.records.columns import TABLES, Table
from analytics.records.headings import Layout
from analytics.records.intake.raw import FAULT, ROW, RawTable, cell_name
from analytics.records.sql import first, only, scalar

MEMORY = "400MB"  # more is spilled to the temporary folder
ROWS_AT_ONCE, BYTES_AT_ONCE = 400_000, 96 << 20


@dataclass
class StagedFile:
    """What is known of one table after its rows were checked."""

    number: int
    file: str
    layout: Layout
    rows: int = 0


@dataclass(frozen=True)
class Fault:
    """A row that did not pass on its own: every problem as (column, code, value), and its cells as they stood."""

    file: StagedFile
    row: int
    problems: list[tuple[str, str, str]]
    cells: dict[str, str]


@dataclass
class Staging:
    """The private database. Use it as a context manager."""

    zone: str
    now: datetime
    files: list[StagedFile] = field(default_factory=list)
    without_twins: bool = (
        False  # no two readings can have the same key: they were numbered within the only file of theirs
    )
    few: bool = False  # there are a few rows, which need no folder to be spilled to
    _kinds: set[str] = field(default_factory=set)
    _after: ExitStack = field(default_factory=ExitStack)

    def __enter__(self) -> Self:
        if self.few and (kept := engine.scratch()) is not None:
            self.con = self._after.enter_context(kept.empty())
            return self
        folder = self._after.enter_context(tempfile.TemporaryDirectory(prefix="steadycount-"))
        self.con = duckdb.connect(config={"temp_directory": folder, "memory_limit": MEMORY})
        self._after.callback(self.con.close)
        self.con.execute(f"{sql.QUIET}; SET enable_external_access = false; SET lock_configuration = true")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._after.close()

    def add(
        self, raw: RawTable, layout: Layout, progress: Callable[[float], None], *, keep_blank: bool = False
    ) -> StagedFile:
        """Check every row of a table and keep it under its kind.

        keep_blank: rows of nothing after the last filled one are rows too (as in a file they are not).

        Raises:
            UserError: the order of day and month has to be told from the column and cannot be; or the disk is full.
        """
        staged = StagedFile(len(self.files), raw.file, layout)
        order = self._date_order(raw, layout)
        self._prepare(layout.table)
        statement = insert_statement(staged.number, raw, layout, order, self.zone, self.now)
        last_filled = 1
        try:
            for block in raw.blocks(progress) if self.few else _ahead(raw.blocks, progress):
                self.con.register("block", block)
                self.con.execute(statement)
                self.con.unregister("block")
                staged.rows += block.num_rows
                last_filled = self._last_filled(block, last_filled)
        except (duckdb.IOException, duckdb.OutOfMemoryException, OSError) as error:
            raise UnavailableError(
                f"there is no room to check the file ({str(error).splitlines()[0]})",
                where=raw.file,
                do="Make room in the temporary folder and try again.",
            ) from error
        if layout.table.kind == "readings" and "rate_cps" in layout.places and not raw.exact_text:
            self._share_rate_step(staged)
        if not keep_blank:
            staged.rows -= self._drop_trailing(layout.table, staged, last_filled)
        self.files.append(staged)
        return staged

    def _prepare(self, table: Table) -> None:
        if table.kind in self._kinds:
            return
        self._kinds.add(table.kind)
        columns = ", ".join(f"{sql.quoted(one.name)} {checks.stored_type(one)}" for one in table.columns)
        step = "rate_step_cps DOUBLE, " if table.kind == "readings" else ""
        self.con.execute(
            f'CREATE TABLE {table.kind} (file_no INTEGER, "row" INTEGER, {columns}, {step}'
            "extra VARCHAR, problems VARCHAR, cells VARCHAR)"
        )

    def _date_order(self, raw: RawTable, layout: Layout) -> str:
        """The order of dates, decided over the whole column where the map leaves it open."""
        order = layout.column_map.date_order
        moments = [
            cell for one in layout.table.columns if one.type == "moment" for cell in layout.places.get(one.name, ())[:1]
        ]
        if order != "auto" or not moments:
            return order
        low = high = seen = 0  # largest first and second number of the dates
        pattern = r"'^\s*(\d{1,2})[./-](\d{1,2})[./-]\d{4}'"
        for block in raw.blocks(lambda _: None):
            self.con.register("block", block)
            for cell in moments:
                c = cell_name(cell)
                row = only(
                    self.con,
                    f"SELECT count(*), coalesce(max(TRY_CAST(regexp_extract({c}, {pattern}, 1) AS INTEGER)), 0),"
                    f" coalesce(max(TRY_CAST(regexp_extract({c}, {pattern}, 2) AS INTEGER)), 0)"
                    f" FROM block WHERE regexp_matches({c}, {pattern})",
                )
                seen, low, high = seen + row[0], max(low, row[1]), max(high, row[2])
            self.con.unregister("block")
        if not seen:
            return "iso"
        if low > 12 >= high:
            return "day_first"
        if high > 12 >= low:
            return "month_first"
        what = "both orders occur" if low > 12 else "no date has a number above 12"
        raise UserError(
            f"day and month cannot be told apart ({what})",
            where=raw.file,
            do='Say date_order = "day_first" or "month_first" in the column map.',
        )

    def _last_filled(self, block: pa.Table, before: int) -> int:
        """The last row so far that holds anything."""
        faults, rows = block.column(FAULT), block.column(ROW)
        if faults.null_count < len(faults):
            rows = rows.filter(pc.fill_null(pc.not_equal(faults, "empty_row"), fill_value=True))
        return int(rows[-1].as_py()) if len(rows) else before

    def _drop_trailing(self, table: Table, staged: StagedFile, last_filled: int) -> int:
        return int(
            scalar(self.con, f'DELETE FROM {table.kind} WHERE file_no = ? AND "row" > ?', [staged.number, last_filled])
        )

    def _share_rate_step(self, staged: StagedFile) -> None:
        """Numbers of a spreadsheet lose their last zeros: the finest step of the column holds for all of it."""
        self.con.execute(
            "UPDATE readings SET rate_step_cps = (SELECT min(rate_step_cps) FROM readings WHERE file_no = $1)"
            " WHERE file_no = $1 AND rate_step_cps IS NOT NULL",
            [staged.number],
        )

    def number_repeats(self) -> None:
        """Give every reading without one its ``repeat``: rows of one file alike in what they measure, in their order.

        Rows that are held keep their place in the count, so that a mended one gets the number it would have had.
        """
        if "readings" not in self._kinds:
            return
        if scalar(self.con, "SELECT count(*) = count(repeat) FROM readings"):
            return
        alike = 'file_no, probe, taken_at, "window", measurement'
        twice = first(
            self.con,
            f"SELECT 1 FROM readings WHERE probe IS NOT NULL AND taken_at IS NOT NULL"
            f" GROUP BY hash({alike}) HAVING count(*) > 1 AND count(repeat) < count(*) LIMIT 1",
        )
        self.without_twins = sum(one.layout.table.kind == "readings" for one in self.files) == 1 and bool(
            scalar(self.con, "SELECT count(repeat) = 0 FROM readings")
        )
        if twice is None:
            return
        self.con.execute(
            f"CREATE TABLE numbered AS SELECT * EXCLUDE (place) REPLACE (coalesce(repeat, place) AS repeat,"
            " CASE WHEN cells IS NOT NULL AND repeat IS NULL AND place IS NOT NULL"
            "  THEN json_merge_patch(cells, json_object('repeat', place::VARCHAR)) ELSE cells END AS cells)"
            f' FROM (SELECT *, CASE WHEN probe IS NOT NULL AND taken_at IS NOT NULL AND "window" IS NOT NULL'
            f'  AND measurement IS NOT NULL THEN row_number() OVER (PARTITION BY {alike} ORDER BY "row") END AS'
            " place FROM readings)"
        )
        self.con.execute("DROP TABLE readings")
        self.con.execute("ALTER TABLE numbered RENAME TO readings")

    def faults(self) -> Iterator[Fault]:
        """Every row that did not pass on its own."""
        for kind in TABLES:
            if kind not in self._kinds:
                continue
            rows = self.con.execute(
                f'SELECT file_no, "row", problems, cells FROM {kind} WHERE problems IS NOT NULL ORDER BY file_no, "row"'
            )
            for file_no, row, problems, cells in rows.fetchall():
                split = [one.split(WITHIN) for one in problems.split(BETWEEN)]
                yield Fault(self.files[file_no], row, [(c, code, v) for c, code, v in split], json.loads(cells))

    def forget(self, table: Table) -> None:
        """Free the room of a kind whose sound rows were taken and whose faults were read."""
        self._kinds.discard(table.kind)
        self.con.execute(f"DROP TABLE {table.kind}")

    def require(self, table: Table) -> pa.RecordBatchReader:
        """The same where there must be some."""
        rows = self.sound(table)
        if rows is None:
            raise AssertionError(f"no {table.kind} passed their checks")
        return rows

    def sound(self, table: Table) -> pa.RecordBatchReader | None:
        """The rows of a kind that passed, ordered and numbered (``rid``) by file and row; None if there are none."""
        if table.kind not in self._kinds:
            return None
        if first(self.con, f"SELECT 1 FROM {table.kind} WHERE problems IS NULL LIMIT 1") is None:
            return None
        numbered = " REPLACE (coalesce(repeat, 1) AS repeat)" if table.kind == "readings" else ""
        reader = self.con.sql(
            f'SELECT file_no::BIGINT * 4294967296 + "row" AS rid, * EXCLUDE (problems, cells){numbered}'
            f" FROM {table.kind} WHERE problems IS NULL ORDER BY rid"
        ).to_arrow_reader(100_000)
        return _counted(reader)


def _large_blocks(blocks: Iterable[pa.Table]) -> Iterator[pa.Table]:
    """Blocks joined until the work on each is worth its planning, and not beyond what memory bears."""
    kept: list[pa.Table] = []
    rows = size = 0
    for block in blocks:
        kept.append(block)
        rows, size = rows + block.num_rows, size + block.nbytes
        if rows >= ROWS_AT_ONCE or size >= BYTES_AT_ONCE:
            yield pa.concat_tables(kept)
            kept, rows, size = [], 0, 0
    if kept:
        yield pa.concat_tables(kept)


def _counted(reader: pa.RecordBatchReader) -> pa.RecordBatchReader:
    """The rows with their ``place``, from 1 on (a window function would do the same on one thread)."""

    def batches() -> Iterator[pa.RecordBatch]:
        done, last = 0, -1
        for batch in reader:
            order = np.diff(np.concatenate([[last], batch.column("rid").to_numpy()]))
            if (order <= 0).any():
                raise RuntimeError("rows came out of staging in another order than they went in")
            last += int(order.sum())
            place = np.arange(done + 1, done + batch.num_rows + 1, dtype=np.int64)
            yield pa.RecordBatch.from_arrays([pa.array(place), *batch.columns], schema=schema)
            done += batch.num_rows

    schema = pa.schema([pa.field("place", pa.int64()), *reader.schema])
    return pa.RecordBatchReader.from_batches(schema, batches())


def _ahead(
    blocks: Callable[[Callable[[float], None]], Iterator[pa.Table]], progress: Callable[[float], None]
) -> Iterator[pa.Table]:
    """Blocks, the next of which is read while the one before is checked; progress is told on the caller's thread."""
    done: list[float] = []
    source = _large_blocks(blocks(done.append))
    with ThreadPoolExecutor(1) as pool:
        upcoming = pool.submit(next, source, None)
        while (block := upcoming.result()) is not None:
            upcoming = pool.submit(next, source, None)
            yield block
            while done:
                progress(done.pop(0))
    for one in done:
        progress(one)
