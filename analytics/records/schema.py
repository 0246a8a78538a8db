"""The tables of the store, as numbered steps: a step once released is never edited, a change is a further step.

Rows of loadable tables carry ``load``, ``file`` and ``row``: where they came from. They are never changed and never
deleted: the rows of an undone load stay and are passed over, a corrected row is a further ``version`` of the same id.
Uniqueness is kept by anti-joins while loading and verified by ``check_store``; unique indexes would cost 2.5 times the
load. CHECK constraints are the last gate against numbers that are none.
"""

from __future__ import annotations

import contextlib
import uuid

import duckdb

from analytics.errors import UserError
from analytics.records.sql import first

_ORIGIN = 'extra VARCHAR, "load" INTEGER NOT NULL, file VARCHAR, "row" INTEGER'


def _finite(*columns: str) -> str:
    return ", ".join(f"CHECK ({one} IS NULL OR isfinite({one}))" for one in columns)


_FIRST = f"""
CREATE TABLE store (schema_version INTEGER NOT NULL, revision BIGINT NOT NULL, identity VARCHAR NOT NULL);

CREATE TABLE site (site VARCHAR NOT NULL, "load" INTEGER NOT NULL);
CREATE TABLE probe (
    probe VARCHAR NOT NULL, version INTEGER NOT NULL, implicit BOOLEAN NOT NULL,
    site VARCHAR, model_type VARCHAR, detector VARCHAR, connection VARCHAR, diameter_mm DOUBLE, in_service_on TIMESTAMP,
    dead_time_us DOUBLE, dead_time_model VARCHAR, replacement_cost DOUBLE, note VARCHAR, {_ORIGIN},
    {_finite("diameter_mm", "dead_time_us", "replacement_cost")});
CREATE TABLE check_source (
    source VARCHAR NOT NULL, version INTEGER NOT NULL, implicit BOOLEAN NOT NULL,
    nuclide VARCHAR NOT NULL, reference_at TIMESTAMP NOT NULL, activity_kbq DOUBLE, activity_uncertainty_pct DOUBLE,
    site VARCHAR, withdrawn_on TIMESTAMP, {_ORIGIN},
    {_finite("activity_kbq", "activity_uncertainty_pct")});
CREATE TABLE energy_window (
    "window" VARCHAR NOT NULL, version INTEGER NOT NULL, implicit BOOLEAN NOT NULL,
    nuclide VARCHAR, centre_kev DOUBLE, width_pct DOUBLE, offset_pct DOUBLE, {_ORIGIN},
    {_finite("centre_kev", "width_pct", "offset_pct")});
CREATE TABLE jig (jig VARCHAR NOT NULL, "load" INTEGER NOT NULL);
CREATE TABLE readout (readout VARCHAR NOT NULL, "load" INTEGER NOT NULL);
CREATE TABLE spare_loan (
    loan_id BIGINT NOT NULL, probe VARCHAR NOT NULL, site VARCHAR NOT NULL, from_at TIMESTAMP NOT NULL, to_at TIMESTAMP,
    "by" VARCHAR NOT NULL, note VARCHAR);
CREATE TABLE draft (draft_id BIGINT NOT NULL, saved_at TIMESTAMP NOT NULL, "by" VARCHAR NOT NULL,
    payload VARCHAR NOT NULL);

CREATE TABLE event (
    event_id BIGINT NOT NULL, version INTEGER NOT NULL, probe VARCHAR NOT NULL, happened_at TIMESTAMP NOT NULL,
    kind VARCHAR NOT NULL,
    new_reference BOOLEAN NOT NULL, site VARCHAR, "by" VARCHAR, cost DOUBLE, note VARCHAR, {_ORIGIN},
    {_finite("cost")});
CREATE TABLE reading (
    reading_id BIGINT NOT NULL, version INTEGER NOT NULL,
    probe VARCHAR NOT NULL, taken_at TIMESTAMP NOT NULL, "window" VARCHAR NOT NULL, measurement VARCHAR NOT NULL,
    counts BIGINT, rate_cps DOUBLE, rate_step_cps DOUBLE, count_time_s DOUBLE NOT NULL, source VARCHAR,
    repeat INTEGER NOT NULL, reseated BOOLEAN NOT NULL,
    jig VARCHAR, collimator VARCHAR, readout VARCHAR, operator VARCHAR, temperature_c DOUBLE, battery_pct DOUBLE,
    on_minutes DOUBLE, note VARCHAR, {_ORIGIN},
    CHECK ((counts IS NULL) <> (rate_cps IS NULL)), CHECK (counts IS NULL OR counts >= 0),
    CHECK (rate_cps IS NULL OR (isfinite(rate_cps) AND rate_cps >= 0 AND isfinite(rate_step_cps)
        AND rate_step_cps > 0)),
    CHECK (isfinite(count_time_s) AND count_time_s > 0), CHECK (isfinite(taken_at)),
    CHECK (measurement = 'background' OR source IS NOT NULL),
    {_finite("temperature_c", "battery_pct", "on_minutes")});
CREATE TABLE inspection (
    inspection_id BIGINT NOT NULL, version INTEGER NOT NULL, probe VARCHAR, source VARCHAR,
    done_at TIMESTAMP NOT NULL, kind VARCHAR NOT NULL,
    result VARCHAR, value DOUBLE, unit VARCHAR, nuclide VARCHAR, person VARCHAR, note VARCHAR, {_ORIGIN},
    {_finite("value")});
CREATE TABLE "use" (
    use_id BIGINT NOT NULL, version INTEGER NOT NULL, probe VARCHAR NOT NULL, used_at TIMESTAMP NOT NULL,
    case_reference VARCHAR, {_ORIGIN});
CREATE TABLE outcome (
    outcome_id BIGINT NOT NULL, version INTEGER NOT NULL, probe VARCHAR NOT NULL, found_at TIMESTAMP NOT NULL,
    found VARCHAR NOT NULL, note VARCHAR, {_ORIGIN});

CREATE TABLE "load" (
    "load" INTEGER NOT NULL, loaded_at TIMESTAMP NOT NULL, "by" VARCHAR NOT NULL, files VARCHAR NOT NULL,
    "rows" BIGINT NOT NULL, stored BIGINT NOT NULL, already_there BIGINT NOT NULL, held BIGINT NOT NULL,
    undone_at TIMESTAMP, undone_by VARCHAR, undo_reason VARCHAR);
CREATE TABLE held_row (
    held_id BIGINT NOT NULL, "load" INTEGER NOT NULL, file VARCHAR NOT NULL, kind VARCHAR NOT NULL,
    "row" INTEGER NOT NULL,
    "column" VARCHAR NOT NULL, value VARCHAR NOT NULL, reason VARCHAR NOT NULL, hint VARCHAR NOT NULL,
    cells VARCHAR NOT NULL, column_map VARCHAR, settled VARCHAR, settled_load INTEGER);

CREATE TABLE exclusion (
    reading_id BIGINT NOT NULL, excluded_at TIMESTAMP NOT NULL, "by" VARCHAR NOT NULL, reason VARCHAR NOT NULL,
    lifted_at TIMESTAMP, lifted_by VARCHAR, lift_reason VARCHAR);
CREATE TABLE alert (
    alert_id BIGINT NOT NULL, shown_at TIMESTAMP NOT NULL, revision BIGINT NOT NULL, config VARCHAR NOT NULL,
    subject VARCHAR NOT NULL, "window" VARCHAR, jig VARCHAR, collimator VARCHAR, nuclide VARCHAR, quantity VARCHAR,
    episode VARCHAR, rule VARCHAR NOT NULL, direction VARCHAR NOT NULL, signalled_at TIMESTAMP NOT NULL,
    reading_id BIGINT, detail VARCHAR NOT NULL);
CREATE TABLE decision (
    decision_id BIGINT NOT NULL, probe VARCHAR, decided_at TIMESTAMP NOT NULL, kind VARCHAR NOT NULL, value VARCHAR,
    episode VARCHAR, "by" VARCHAR NOT NULL, reason VARCHAR NOT NULL);
CREATE TABLE planned_visit (
    visit_id BIGINT NOT NULL, site VARCHAR NOT NULL, planned_on TIMESTAMP NOT NULL, "by" VARCHAR NOT NULL,
    content VARCHAR NOT NULL);
CREATE TABLE setting_version (
    version INTEGER NOT NULL, saved_at TIMESTAMP NOT NULL, "by" VARCHAR NOT NULL, reason VARCHAR NOT NULL,
    layer VARCHAR NOT NULL);
CREATE TABLE column_map (
    name VARCHAR NOT NULL, version INTEGER NOT NULL, saved_at TIMESTAMP NOT NULL, "by" VARCHAR NOT NULL, toml VARCHAR);
CREATE TABLE change (
    revision BIGINT NOT NULL, changed_at_utc TIMESTAMP NOT NULL, "by" VARCHAR NOT NULL,
    action VARCHAR NOT NULL, subject VARCHAR NOT NULL, reason VARCHAR NOT NULL, "before" VARCHAR, "after" VARCHAR,
    previous_hash VARCHAR NOT NULL, hash VARCHAR NOT NULL);
"""

STEPS: tuple[str, ...] = (_FIRST,)
VERSION = len(STEPS)


def version_of(con: duckdb.DuckDBPyConnection, where: str) -> int:
    """The schema version of an open file: 0 for a new and empty one; UserError for a file of another program."""
    with contextlib.suppress(duckdb.CatalogException, duckdb.BinderException):  # of ours, as nearly always: one short question
        row = first(con, "SELECT schema_version FROM store WHERE NOT EXISTS (FROM change, reading WHERE false)")
        if row is not None:
            return int(row[0])
    tables = con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT temporary ORDER BY table_name").fetchall()
    if not tables:
        return 0
    if not {"store", "change", "reading"} <= {name for (name,) in tables}:
        raise UserError(
            "this database was made by another program",
            where=where,
            do="Name a Steadycount store, or a new file, with --store.",
        )
    row = first(con, "SELECT schema_version FROM store")
    if row is None:
        raise UserError("the store has lost its version number", where=where, do="Restore it from a backup.")
    return int(row[0])


def refuse_newer(version: int, where: str) -> None:
    """UserError where the store was written by a newer version of the tool."""
    if version > VERSION:
        raise UserError(
            f"this store has layout {version}, this program knows layouts up to {VERSION}",
            where=where,
            do="Use the newer version of Steadycount that wrote it.",
        )


def migrate(con: duckdb.DuckDBPyConnection, version: int) -> None:
    """Run the steps a store of this version still lacks, inside the caller's transaction."""
    for step in STEPS[version:]:
        con.execute(step)
    if version == 0:
        con.execute("INSERT INTO store VALUES (?, 0, ?)", [VERSION, str(uuid.uuid4())])
    elif version < VERSION:
        con.execute("UPDATE store SET schema_version = ?", [VERSION])
