# ruff: noqa: S608 - SQL is put together from the names of our own tables
"""One value changed behind the tool's back, in any column of any row, is found; so is a row put in or taken out."""

from __future__ import annotations

import os
from itertools import islice

import duckdb
import pytest

from analytics.records import access, people
from analytics.records.check_store import check_store, findings
from analytics.records.column_map import ColumnMap
from analytics.records.held import discard_held, held, release_held
from analytics.records.saved_maps import save_map
from analytics.records.store_settings import save_settings
from analytics.records.undo import undo

# Left out: what is no record (drafts), what hangs on nothing (the store's own row), and the tables of other tests.
TABLES = (
    "site",
    "probe",
    "check_source",
    "energy_window",
    "jig",
    "readout",
    "event",
    "reading",
    "inspection",
    '"use"',
    "outcome",
    '"load"',
    "held_row",
    "exclusion",
    "decision",
    "setting_version",
    "column_map",
    "change",
)
# Another value of the same type that the table's own checks let pass.
OTHER = {
    "VARCHAR": "CASE WHEN {c} IS NULL THEN 'x' WHEN {c} = 'background' THEN 'source' ELSE {c} || 'x' END",
    "DOUBLE": "coalesce({c}, 0) + 1",
    "BIGINT": "coalesce({c}, 0) + 1",
    "INTEGER": "coalesce({c}, 0) + 1",
    "BOOLEAN": "NOT {c}",
    "TIMESTAMP": "coalesce({c}, '2001-01-01'::TIMESTAMP) + INTERVAL 1 SECOND",
}


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    """A store with something of everything, all of it entered as people do."""
    from tests.records.conftest import Clinic

    clinic = Clinic(tmp_path_factory.mktemp("lived"))
    clinic.register()
    head = clinic.head.strip() + ",jig,readout,note\n"
    row = "GP-001,2024-05-0{},Co-57,{},{},10,CK-1,J1,R1,n\n"
    log = head + "".join(row.format(day, "source", 12000 + day) for day in range(1, 5)) + row.format(5, "source", "x")
    clinic.load(clinic.write("log.csv", log + row.format(6, "source", "y") + row.format(7, "source", "z")))
    clinic.load(
        clinic.write("events.csv", "probe,happened_at,kind\nGP-001,2024-01-01,repair\n"),
        clinic.write("inspections.csv", "probe,done_at,kind,result\nGP-001,2024-01-01,visual,pass\n"),
        clinic.write("uses.csv", "probe,used_at,case_reference\nGP-001,2024-01-01,A1\n"),
        clinic.write("outcomes.csv", "probe,found_at,found\nGP-001,2024-01-01,none\n"),
    )
    gone = clinic.readings("GP-002,2024-05-01,Co-57,source,5,10,CK-1")
    store = clinic.store
    undo(store, gone.load, by="anna", reason="wrong file")
    people.exclude(store, [1, 2], by="anna", reason="source forgotten")
    people.include(store, 1, by="anna", reason="was there")
    people.correct(store, 3, "counts", 12100, by="anna", reason="digits swapped", now=clinic.now)
    people.decide(store, "cleared", probe="GP-001", by="anna", reason="fine")
    people.decide(store, "seen", probe="GP-001", episode="E-1", by="anna", reason="looked")
    people.change_registry(store, "sources", "CK-1", {"activity_kbq": 3600}, by="anna", reason="new certificate")
    save_settings(store, {"limits": {"tolerance_pct": 8}}, by="anna", reason="local rule")
    save_map(store, "theatre", ColumnMap(kind="readings"), by="anna")
    first, second, _ = (int(one) for one in held(store)["held_id"])
    release_held(store, [first], by="anna", fixes={first: {"counts": "12005"}}, now=clinic.now)
    discard_held(store, [second], by="anna", reason="test reading")
    access.give_role(store, "anna", "administrator", by="anna", reason="alone here")
    return store


@pytest.fixture(scope="module")
def opened(lived):
    """A connection past the tool, as somebody with another program would have it."""
    with duckdb.connect(str(lived), config={"threads": 1}) as con:
        yield con


def altered(con, statement: str, *, most: int | None = 1) -> list[str]:
    """The first findings (None: all) while a statement stands; it is taken back afterwards."""
    con.execute("BEGIN")
    try:
        con.execute(statement)
        return [f"{one.where}: {one.what}" for one in islice(findings(con), most)]
    finally:
        con.execute("ROLLBACK")


def test_a_store_in_which_all_was_entered_as_people_do_is_sound(lived):
    """Nothing is found where nothing was changed."""
    assert check_store(lived) == []


@pytest.mark.parametrize("table", TABLES)
def test_a_value_changed_in_any_column_is_found(opened, table):
    """For every column, in the last row of the table; in the nightly mode in its first row as well."""
    columns = opened.execute(f"SELECT column_name, column_type FROM (DESCRIBE {table})").fetchall()
    rows = opened.execute(f"SELECT min(rowid), max(rowid) FROM {table}").fetchall()[0]
    missed = []
    for column, kind in columns:
        for row in sorted(set(rows if os.environ.get("STEADYCOUNT_KILLS") else rows[1:])):
            other = OTHER[kind].format(c=f'"{column}"')
            if column in ("counts", "rate_cps"):
                other = f"CASE WHEN {column} IS NOT NULL THEN {column} + 1 END"
            changed = f'UPDATE {table} SET "{column}" = {other} WHERE rowid = {row}'
            if column in ("rate_cps", "rate_step_cps"):
                changed = f"UPDATE {table} SET counts = NULL, rate_cps = counts, rate_step_cps = 1 WHERE rowid = {row}"
            if not altered(opened, changed):
                missed.append(f"{table}.{column}, row {row}")
    assert missed == []


@pytest.mark.parametrize("table", TABLES)
def test_a_row_taken_out_put_in_twice_or_given_to_no_load_is_found(opened, table):
    """Counts, orphans and gaps: no table can lose or gain a row in silence."""
    assert altered(opened, f"DELETE FROM {table} WHERE rowid = (SELECT max(rowid) FROM {table})")
    assert altered(opened, f"INSERT INTO {table} FROM {table} LIMIT 1")
    if '"load"' in [f'"{one}"' for (one,) in opened.execute(f"SELECT column_name FROM (DESCRIBE {table})").fetchall()]:
        assert altered(opened, f'UPDATE {table} SET "load" = 999 WHERE rowid = (SELECT max(rowid) FROM {table})')


def test_what_is_wrong_is_said_with_its_place(opened):
    """A load, a table, a row of the history: each finding names where."""
    said = altered(opened, "UPDATE reading SET counts = counts + 1 WHERE reading_id = 1", most=None)
    assert said == ["load 2, table reading: its rows are not those that were loaded"]
    said = altered(opened, "UPDATE change SET reason = 'x' WHERE revision = 9", most=None)
    assert any(one == "history: change 9 was altered after it was written" for one in said)
    said = altered(opened, "UPDATE exclusion SET reason = 'x' WHERE reading_id = 2", most=None)
    assert said == ["reading 2: who excluded it, when and why is not as the history has it"]
