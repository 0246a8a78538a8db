"""Checked rows against what the store holds: which are new, which are there already, which must be held.

Runs inside the lease on temporary tables, and changes nothing: ``write.py`` does that from what is found here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow as pa

from analytics.records import names, visible
from analytics.records.columns import TABLES, Table
from analytics.records.sql import first, literal, only, quoted, scalar

if TYPE_CHECKING:
    import duckdb

MOST_IN_MEMORY = 500_000
HELD = "refused"  # temporary table (rid, "column", value, reason, extra), one row a problem
MET = "met"  # temporary table (rid, same): rows whose key is taken
# A blank is not "another value" in these; in the others it is.
_NUMBERS = {"readings": ("counts", "rate_cps", "count_time_s")}
_NAMES = ("window", "jig", "collimator", "readout")


@dataclass(frozen=True)
class Permits:
    """What a person has allowed for this load."""

    register_new: bool = False  # an unknown probe registers itself
    accept_names: bool = False  # a name that nearly is a known one is really new
    accept_changes: bool = False  # of two entries for the same, the new one counts from now on


@dataclass
class Merge:
    """One kind of rows on its way into the store."""

    con: duckdb.DuckDBPyConnection
    table: Table
    permits: Permits
    without_twins: bool = False  # no two of the rows have the same key
    fresh: dict[str, set[str]] = field(
        default_factory=dict
    )  # column -> names that no row in the store has, and are not held

    def run(self, rows: pa.RecordBatchReader) -> None:
        """Make the temporary tables ``incoming`` (rid rises with file and row), HELD and MET."""
        con = self.con
        self._take_in(rows)
        con.execute(
            f'CREATE OR REPLACE TEMP TABLE {HELD} (rid BIGINT, "column" VARCHAR, value VARCHAR, reason VARCHAR,'
            " extra VARCHAR)"
        )
        con.execute(f"CREATE OR REPLACE TEMP TABLE {MET} (rid BIGINT, same BOOLEAN)")
        if not self.table.registry:
            self._probes()
            self._sources()
        if self.table.kind == "readings":
            for column in _NAMES:
                self._near_misses(column)
        self._meet_stored()
        if not self.without_twins:
            self._meet_each_other()

    def _take_in(self, rows: pa.RecordBatchReader) -> None:
        """Make the rows readable as ``incoming``: in memory, or, where there are very many, in a table that spills."""
        batches: list[pa.RecordBatch] = []
        count = 0
        for batch in rows:
            batches.append(batch)
            count += batch.num_rows
            if count > MOST_IN_MEMORY:
                break
        table = pa.Table.from_batches(batches, rows.schema)
        self.con.register("arrived", table)
        if count <= MOST_IN_MEMORY:
            self.con.execute("CREATE OR REPLACE TEMP VIEW incoming AS FROM arrived")
            return
        self.con.execute("CREATE OR REPLACE TEMP TABLE spilling AS FROM arrived")
        del table, batches
        self.con.register("arrived", rows)
        self.con.execute("INSERT INTO spilling FROM arrived")
        self.con.unregister("arrived")
        self.con.execute("CREATE OR REPLACE TEMP VIEW incoming AS FROM spilling")

    def _distinct(self, column: str) -> dict[str, int]:
        """The names in a column of the incoming rows and how often each occurs."""
        name = quoted(column)
        return dict(
            self.con.execute(
                f"SELECT {name}, count(*) FROM incoming WHERE {name} IS NOT NULL GROUP BY {name} ORDER BY {name}"
            ).fetchall()
        )

    def _known(self, select: str) -> set[str]:
        return {name for (name,) in self.con.execute(select).fetchall()}

    def _hold(self, column: str, reason: str, extras: dict[str, str]) -> None:
        """Hold every row that has one of these names in the column."""
        if not extras:
            return
        flagged = pa.table({"name": list(extras), "extra": list(extras.values())})
        self.con.register("flagged", flagged)
        self.con.execute(
            f"INSERT INTO {HELD} SELECT i.rid, {literal(column)}, f.name, {literal(reason)}, f.extra"
            f" FROM incoming i JOIN flagged f ON f.name = i.{quoted(column)}"
        )
        self.con.unregister("flagged")

    def _probes(self) -> None:
        known = self._known(visible.known_probes())
        unknown = set(self._distinct("probe")) - known
        if self.permits.register_new:
            self.fresh["probe"] = unknown
        else:
            self._hold("probe", "unknown_probe", names.suggestions(unknown, known, "probe"))

    def _sources(self) -> None:
        if "source" not in self.table.names:
            return
        given = self._distinct("source")
        known = self._known(visible.known_sources())
        self._hold("source", "unknown_source", names.suggestions(set(given) - known, known, "check source"))
        if self.table.kind == "readings" and given:
            sources = visible.current(TABLES["sources"])
            # a date without a time is its whole day
            self.con.execute(
                f"INSERT INTO {HELD} SELECT rid, 'taken_at', i.taken_at::VARCHAR, 'source_withdrawn',"
                " strftime(s.withdrawn_on, '%Y-%m-%d')"
                f" FROM incoming i JOIN (FROM ({sources}) WHERE withdrawn_on IS NOT NULL) s USING (source)"
                " WHERE i.taken_at >= CASE WHEN s.withdrawn_on = date_trunc('day', s.withdrawn_on)"
                "  THEN s.withdrawn_on + INTERVAL 1 DAY ELSE s.withdrawn_on END"
            )

    def _near_misses(self, column: str) -> None:
        given = self._distinct(column)
        if not given:
            return
        if given.keys() <= self._known(visible.registered_names(column)):  # as nearly always: no reading is looked through
            self.fresh[column] = set()
            return
        known = self._known(visible.known_names(column))
        new = {name: count for name, count in given.items() if name not in known}
        close = {} if self.permits.accept_names else names.near_misses(new, known)
        self.fresh[column] = set(new) - set(close)
        self._hold(
            column,
            "near_miss",
            {
                name: f"Did you mean `{one}`? If `{name}` is really another {column}, release the row as a new name."
                for name, one in close.items()
            },
        )

    def same(self, new: str, old: str) -> str:
        """Whether two rows of one key say the same; a blank of the new one is no other value, numbers apart."""
        strict = _NUMBERS.get(self.table.kind, ())
        parts = [
            f"{new}.{quoted(one)} IS NOT DISTINCT FROM {old}.{quoted(one)}"
            if one in strict
            else f"({new}.{quoted(one)} IS NULL OR {new}.{quoted(one)} IS NOT DISTINCT FROM {old}.{quoted(one)})"
            for one in self._compared()
        ]
        return " AND ".join(parts) or "true"

    def _compared(self) -> list[str]:
        return [one for one in self.table.names if one not in self.table.key]

    def _alike(self, new: str, old: str) -> str:
        """The join over the key; blanks are equal."""
        sure = {"readings", "probes", "sources", "windows"}
        sign = "=" if self.table.kind in sure else "IS NOT DISTINCT FROM"
        return " AND ".join(f"{new}.{quoted(one)} {sign} {old}.{quoted(one)}" for one in self.table.key)

    def _meet_stored(self) -> None:
        stored = visible.all_versions(self.table)
        if self.table.kind == "readings":
            row = only(self.con, "SELECT min(taken_at)::VARCHAR, max(taken_at)::VARCHAR FROM incoming")
            stored += f" AND taken_at BETWEEN {literal(row[0])}::TIMESTAMP AND {literal(row[1])}::TIMESTAMP"
        self.con.execute(
            f"INSERT INTO {MET} SELECT s.rid, bool_or({self.same('s', 'v')}) FROM incoming s JOIN ({stored}) v"
            f" ON {self._alike('s', 'v')} GROUP BY s.rid"
        )
        if first(self.con, f"SELECT 1 FROM {MET} WHERE NOT same LIMIT 1") is None:
            return
        newest = (
            f"SELECT * FROM ({stored}) QUALIFY row_number() OVER (PARTITION BY {self._keys()} ORDER BY version"
            " DESC) = 1"
        )
        if not self.permits.accept_changes:
            self._hold_conflicts(newest, f"SELECT rid FROM {MET} WHERE NOT same", "v.file || ', row ' || v.\"row\"")

    def _meet_each_other(self) -> None:
        """Rows of one key within the load: the first counts."""
        if first(self.con, f"SELECT 1 FROM incoming GROUP BY hash({self._keys()}) HAVING count(*) > 1 LIMIT 1") is None:
            return
        free = (
            f"SELECT * FROM incoming WHERE rid NOT IN (SELECT rid FROM {MET}) AND rid NOT IN (SELECT rid FROM {HELD})"
        )
        self.con.execute(
            f"CREATE OR REPLACE TEMP TABLE later AS SELECT * FROM ("
            f"SELECT *, min(rid) OVER (PARTITION BY {self._keys()}) AS lead FROM ({free})) WHERE rid <> lead"
        )
        self.con.execute(
            f"INSERT INTO {MET} SELECT s.rid, {self.same('s', 'v')} FROM later s JOIN incoming v ON v.rid = s.lead"
        )
        self._hold_conflicts(
            "FROM incoming WHERE rid IN (SELECT lead FROM later)",
            f"SELECT rid FROM {MET} WHERE NOT same AND rid IN (SELECT rid FROM later)",
            "'row ' || v.\"row\" || ' of this load'",
        )

    def _keys(self) -> str:
        return ", ".join(quoted(one) for one in self.table.key)

    def _hold_conflicts(self, others: str, rids: str, place: str) -> None:
        """Hold rows whose key a row ``v`` of ``others`` has with another value; the first such column is named."""
        strict = _NUMBERS.get(self.table.kind, ())

        def differs(one: str) -> str:
            unlike = f"s.{quoted(one)} IS DISTINCT FROM v.{quoted(one)}"
            return unlike if one in strict else f"s.{quoted(one)} IS NOT NULL AND {unlike}"

        def of_first(shown: Callable[[str], str]) -> str:
            return "CASE " + " ".join(f"WHEN {differs(one)} THEN {shown(one)}" for one in self._compared()) + " END"

        if not self._compared():
            return
        was = of_first(lambda one: f"coalesce(v.{quoted(one)}::VARCHAR, 'nothing')")
        now = of_first(lambda one: f"coalesce(s.{quoted(one)}::VARCHAR, '')")
        self.con.execute(
            f"INSERT INTO {HELD} SELECT s.rid, {of_first(literal)}, {now}, 'conflict',"
            f" 'It has ' || {was} || ' already (' || {place} || '). Correct one of the two, or release this row as"
            " the new value.'"
            f" FROM incoming s JOIN ({others}) v ON {self._alike('s', 'v')} WHERE s.rid IN ({rids})"
        )

    def counts(self) -> dict[int, tuple[int, int]]:
        """By file number: rows that will be stored, and rows already there."""
        rows = self.con.execute(
            f"SELECT i.file_no, count(*) FILTER (WHERE h.rid IS NULL AND (m.rid IS NULL OR NOT m.same)),"
            f" count(*) FILTER (WHERE h.rid IS NULL AND m.same)"
            f" FROM incoming i LEFT JOIN {MET} m USING (rid) LEFT JOIN (SELECT DISTINCT rid FROM {HELD}) h ON h.rid"
            " = i.rid"
            " GROUP BY i.file_no ORDER BY i.file_no"
        ).fetchall()
        return {file_no: (stored, there) for file_no, stored, there in rows}

    def held(self) -> pd.DataFrame:
        """The held rows, one row a problem: rid, file_no, row, column, value, reason, extra, cells."""
        cells = cells_sql(self.table, "i")
        return self.con.execute(
            f'SELECT h.rid, i.file_no, i."row", h."column", h.value, h.reason, h.extra, {cells} AS cells'
            f" FROM (SELECT *, rowid AS place FROM {HELD}) h JOIN incoming i USING (rid) ORDER BY h.rid, h.place"
        ).df()


def all_new(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether every incoming row will be stored."""
    return bool(scalar(con, f"SELECT (SELECT count(*) FROM {MET} WHERE same) + (SELECT count(*) FROM {HELD}) = 0"))


def new_rows() -> str:
    """SELECT of the incoming rows that will be stored."""
    return (
        f"SELECT * FROM incoming WHERE rid NOT IN (SELECT rid FROM {MET} WHERE same) AND rid NOT IN (SELECT rid"
        f" FROM {HELD})"
    )


def cells_sql(table: Table, alias: str) -> str:
    """The cells of a checked row as JSON text in the contract's own writing: it can be loaded again as it stands."""
    shown: list[str] = []
    for one in table.names:
        cell = f"{alias}.{quoted(one)}"
        text = f"{cell}::VARCHAR"
        if one == "rate_cps":
            digits = f"greatest(0, round(-log10({alias}.rate_step_cps)))::INTEGER"
            text = f"format('{{:.' || {digits} || 'f}}', {cell})"
        shown.append(f"{literal(one)}, {text}")
    return f"json_merge_patch('{{}}', json_object({', '.join(shown)}), coalesce({alias}.extra, '{{}}'))"
