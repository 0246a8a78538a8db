"""The records of one revision as plain tables: opened, read, closed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analytics.records import snapshot as frames
from analytics.records import visible
from analytics.records.columns import TABLES
from analytics.records.snapshot import Records
from analytics.records.sql import literal, quoted
from analytics.records.store import Store, answering_in

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    import duckdb

PRINT = "hash(reading_id, version, excluded)"  # of one reading: as long as it is what it was, so is the reading
NO_SITE = "(no site)"  # of a probe that registered itself


def snapshot(path: str | Path) -> Records:
    """Everything the analysis needs, in the frames of ``snapshot.py``; UserError where there is no sound store.

    Marked with the newest revision that can alter an answer, so that one who signs in makes no new answer.
    """
    with Store(path).reading() as con:
        return records_in(con, answering_in(con))


def records_in(con: duckdb.DuckDBPyConnection, revision: int) -> Records:
    """The same from an open store, marked with the revision it stands for."""
    return small_tables_in(con, revision, _readings(con.sql(_readings_sql()).to_arrow_table()))


def readings_in(con: duckdb.DuckDBPyConnection, probes: list[str]) -> pd.DataFrame:
    """The readings of these probes alone."""
    # Names one by one and not as a list: the database then looks for them while it reads, in half the time.
    wanted = ", ".join(map(literal, probes)) or "NULL"
    return _readings(con.sql(f"{_readings_sql()} WHERE r.probe IN ({wanted})").to_arrow_table())


def readings_after(con: duckdb.DuckDBPyConnection, number: int, probes: Iterable[str]) -> tuple[pd.DataFrame, dict[str, tuple[int, int]]]:
    """The readings of these probes stored after that number; and by probe how many, and the sum of their prints (``PRINT``)."""
    # Asked for by the number alone, which stands in the order of storage: a name would be looked for in every row.
    rows = f"{_readings_sql(versions=True)} WHERE r.reading_id > {int(number)}"
    table = con.sql(f"SELECT *, {PRINT} AS print FROM ({rows})").to_arrow_table()
    table = table.filter(pc.is_in(table.column("probe"), pa.array(sorted(probes), table.schema.field("probe").type)))
    of: dict[str, tuple[int, int]] = {}
    for probe, one in zip(table.column("probe").to_pylist(), table.column("print").to_pylist(), strict=True):
        many, total = of.get(probe, (0, 0))
        of[probe] = many + 1, total + int(one)
    return _readings(table), of


def readings_at(path: str | Path, moments: list[datetime]) -> pd.DataFrame:
    """The readings taken at these moments."""
    with Store(path).reading() as con:
        return _readings(con.sql(f"{_readings_sql()} WHERE r.taken_at IN (SELECT unnest(?))", params=[moments]).to_arrow_table())


def prints_in(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int]]:
    """By probe how many readings stand, and the sum of their prints (``PRINT``)."""
    corrected, hidden = con.execute(
        "SELECT EXISTS(SELECT 1 FROM reading WHERE version > 0), EXISTS(SELECT 1 FROM exclusion WHERE lifted_at IS NULL)"
    ).fetchall()[0]
    # Where nothing was corrected and nothing hidden, as is plain without looking at all rows, half of the time is saved.
    rows = visible.current(TABLES["readings"]) if corrected else f"SELECT * FROM reading WHERE {visible.LIVE}"
    marked = f"SELECT *, reading_id IN (SELECT reading_id FROM exclusion WHERE lifted_at IS NULL) AS excluded FROM ({rows})"
    found = con.execute(
        f"SELECT probe, count(*), sum({PRINT}) FROM ({marked if hidden else f'SELECT *, false AS excluded FROM ({rows})'}) GROUP BY ALL"
    ).fetchall()
    return {str(probe): (int(number), int(total)) for probe, number, total in found}


def ties_in(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """A row for each probe, check source, jig and control unit with which ``readings`` were taken: categories, and how many."""
    by = ("probe", "source", "jig", "readout")
    found = con.sql(
        f"SELECT {', '.join(by)}, count(*) AS readings FROM ({visible.current(TABLES['readings'])}) GROUP BY ALL"
    ).to_arrow_table()
    return pd.DataFrame({name: _category(found.column(name), None) for name in by} | {"readings": found.column("readings").to_numpy()})


def small_tables_in(con: duckdb.DuckDBPyConnection, revision: int, readings: pd.DataFrame) -> Records:
    """All tables but the readings, which are given."""
    return Records(
        revision=revision,
        readings=readings,
        probes=_frame(con, "probes", frames.PROBES, "probe").fillna({"site": NO_SITE}),
        sources=_frame(con, "sources", frames.SOURCES, "source"),
        windows=_frame(con, "windows", frames.WINDOWS, "window"),
        events=_frame(con, "events", frames.EVENTS, "happened_at, event_id"),
        inspections=_frame(con, "inspections", frames.INSPECTIONS, "done_at, inspection_id"),
        uses=_frame(con, "uses", frames.USES, "used_at, use_id"),
        outcomes=_frame(con, "outcomes", frames.OUTCOMES, "found_at, outcome_id"),
        decisions=_typed(
            con.execute(
                'SELECT decision_id, probe, decided_at, kind, value, episode, "by", reason FROM decision'
                " ORDER BY decided_at, decision_id"
            ).df(),
            frames.DECISIONS,
        ),
    )


def _readings_sql(*, versions: bool = False) -> str:
    columns = ", ".join(f"r.{quoted(name)}" for name in frames.READINGS if name != "excluded")
    return (
        f"SELECT {columns}{', r.version' if versions else ''}, e.reading_id IS NOT NULL AS excluded FROM ({visible.current(TABLES['readings'])}) r"
        " LEFT JOIN (SELECT DISTINCT reading_id FROM exclusion WHERE lifted_at IS NULL) e ON e.reading_id ="
        " r.reading_id"
    )


def _frame(con: duckdb.DuckDBPyConnection, kind: str, columns: dict[str, str], order: str) -> pd.DataFrame:
    listed = ", ".join(map(quoted, columns))
    by = quoted(order) if order == "window" else order
    return _typed(con.execute(f"SELECT {listed} FROM ({visible.current(TABLES[kind])}) ORDER BY {by}").df(), columns)


def _typed(table: pd.DataFrame, columns: dict[str, str]) -> pd.DataFrame:
    """The dtypes of ``snapshot.py``, also where a column is empty."""
    return Records.table(columns, table)


def _readings(table: pa.Table) -> pd.DataFrame:
    """Readings in time order; texts become categories with sorted names (sorting codes, not texts)."""
    numbers = table.column("reading_id").to_numpy()
    times = table.column("taken_at").to_numpy().astype("datetime64[us]")
    sorted_order = np.lexsort((numbers, times))
    order = None if np.array_equal(sorted_order, np.arange(len(sorted_order))) else sorted_order
    columns: dict[str, Any] = {}
    for name, dtype in frames.READINGS.items():
        column = table.column(name)
        if dtype == "cat":
            columns[name] = _category(column, order)
            continue
        if dtype == "str":
            texts = column.to_pandas().astype("str")
            columns[name] = texts if order is None else texts.take(order).reset_index(drop=True)
            continue
        values = times if name == "taken_at" else _plain(column, dtype)
        columns[name] = values if order is None else values[order]
    return pd.DataFrame(columns, copy=False)  # nobody else has these arrays


def _plain(column: pa.ChunkedArray, dtype: str) -> np.ndarray[Any, Any]:
    if dtype == "float64":
        return np.asarray(pc.fill_null(pc.cast(column, pa.float64()), float("nan")).to_numpy())
    return np.asarray(column.to_numpy()).astype(dtype, copy=False)


def _category(column: pa.ChunkedArray, order: np.ndarray[Any, Any] | None) -> Any:
    encoded = pc.dictionary_encode(column).combine_chunks()
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.chunk(0) if encoded.num_chunks else pa.array([], pa.string()).dictionary_encode()
    names = encoded.dictionary.to_pylist()
    codes = np.asarray(pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False))
    rank = np.empty(len(names) + 1, dtype=np.int32)
    ordered = sorted(range(len(names)), key=names.__getitem__)
    rank[ordered] = np.arange(len(names), dtype=np.int32)
    rank[-1] = -1
    codes = rank[codes]
    if order is not None:
        codes = codes[order]
    categories = pd.Index([names[i] for i in ordered], dtype="str")
    return pd.Categorical.from_codes(codes, dtype=pd.CategoricalDtype(categories, ordered=False))
