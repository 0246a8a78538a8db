"""Everything a printed report needs of the store, read in one go, so that all of it is of one revision."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.records import visible
from analytics.records.columns import TABLES
from analytics.records.history import head_in
from analytics.records.reader import records_in
from analytics.records.snapshot import Records
from analytics.records.store import Store, answering_in, revision_in
from analytics.records.store_settings import Layer, layer_in, zone_in

if TYPE_CHECKING:
    import duckdb



@dataclass(frozen=True)
class Papers:
    """Records, the store's own settings, and what people did about them, of one revision.

    head: hash of the newest change of the history. changes: how many there are.
    exclusions: reading_id, excluded_at, by, reason, lifted_at, lifted_by, lift_reason, and what was counted
    (probe, taken_at, window, measurement, counts, rate_cps, count_time_s); lifted ones too, oldest first.
    corrections: corrected_at, by, reason, reading_id, probe, taken_at, window, measurement, column, before, after.
    settings_versions: version, saved_at, by, reason.
    """

    records: Records
    settings_layer: Layer
    head: str
    changes: int
    exclusions: pd.DataFrame
    corrections: pd.DataFrame
    settings_versions: pd.DataFrame


def papers(path: str | Path) -> Papers:
    """All of it; UserError where there is no sound store."""
    with Store(path).reading() as con:
        return Papers(
            records_in(con, answering_in(con)),
            layer_in(con),
            head_in(con),
            revision_in(con),
            _exclusions(con),
            _corrections(con),
            con.execute('SELECT version, saved_at, "by", reason FROM setting_version ORDER BY version').df(),
        )


def _exclusions(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    return con.execute(
        'SELECT e.reading_id, e.excluded_at, e."by", e.reason, e.lifted_at, e.lifted_by, e.lift_reason, r.probe,'
        ' r.taken_at, r."window", r.measurement, r.counts, r.rate_cps, r.count_time_s FROM exclusion e'
        f" JOIN ({visible.current(TABLES['readings'])}) r USING (reading_id) ORDER BY e.excluded_at, e.reading_id"
    ).df()


def _corrections(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """One row a corrected value; its reading is told from the subject ``reading N``."""
    changes = con.execute(
        'SELECT changed_at_utc, "by", subject, reason, "before", "after" FROM change WHERE action = \'correct\''
        " ORDER BY revision"
    ).df()
    zone = zone_in(con)
    rows: list[dict[str, Any]] = []
    for at, by, subject, reason, before, after in changes.itertuples(index=False):
        was, now = json.loads(before), json.loads(after)
        local = pd.Timestamp(at).tz_localize("UTC").tz_convert(zone).tz_localize(None).floor("s")
        rows.extend(
            {
                "corrected_at": local,
                "by": by,
                "reason": reason,
                "reading_id": int(str(subject).removeprefix("reading ")),
                "column": column,
                "before": None if old is None else str(old),
                "after": None if now.get(column) is None else str(now.get(column)),
            }
            for column, old in was.items()
        )
    columns = ["corrected_at", "by", "reason", "reading_id", "column", "before", "after"]
    table = pd.DataFrame(rows, columns=columns)
    ids = [int(one) for one in table["reading_id"]]
    known = con.execute(
        f'SELECT reading_id, probe, taken_at, "window", measurement FROM ({visible.current(TABLES["readings"])})'
        " WHERE reading_id IN (SELECT unnest(?::BIGINT[]))",
        [ids],
    ).df()
    return table.merge(known, on="reading_id", how="left")
