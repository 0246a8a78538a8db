"""What was shown to people: an append-only log of alerts, each with the revision and settings of that moment.

It is no input of the analysis, so no answer is made anew for it. It is written by whatever shows the whole fleet as of
now under the store's own settings, once for each alert; ``alert_log`` reads it. What is added stands in the history with a
digest, so that a row changed, put in or taken out later shows.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from analytics.records.access import SHOWN
from analytics.records.digest import digest
from analytics.records.history import record
from analytics.records.sql import quoted, scalar
from analytics.records.store import Store
from analytics.records.store_settings import site_now, zone_in
from analytics.results import Alert, FleetAssessment

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    import duckdb

TOOL = "steadycount"  # who enters in the history what was shown
# What makes an alert the same alert: its series, its rule and direction, and the counting that tipped it.
KEY = ("subject", "window", "jig", "collimator", "nuclide", "quantity", "rule", "direction", "signalled_at")
Shown = tuple[object, ...]  # values of ``KEY``
COLUMNS = (*KEY[:6], "episode", *KEY[6:], "reading_id", "detail")
# Measurements whose counting may have tipped an alert, by quantity; the response's where it is not listed.
_TIPPING = {
    "background": ("background",),
    "window_shift": ("source", "window_above", "window_below"),
    "window_width": ("source", "window_above", "window_below"),
    "side": ("side",),
}


def shown_alerts(assessment: FleetAssessment, readings: pd.DataFrame) -> pd.DataFrame:
    """Every alert of an assessment with what it is about and the counting that tipped it (missing for devices).

    readings: as in ``Records.readings``. Columns are ``COLUMNS``; one row an alert.
    """
    return _table(_rows(assessment).values(), readings)


def _rows(assessment: FleetAssessment) -> dict[Shown, tuple[object, ...]]:
    """Rows of the table, without the reading, by what makes an alert the same."""
    rows: dict[Shown, tuple[object, ...]] = {}

    def add(about: tuple[object, ...], alerts: tuple[Alert, ...]) -> None:
        for one in alerts:
            rows.setdefault(
                (*about, one.rule, one.direction, one.signalled_at),
                (*about, one.episode, one.rule, one.direction, one.signalled_at, None, one.detail),
            )

    for one in assessment.series:
        add((one.probe, one.window, one.jig, one.collimator, one.nuclide, one.quantity), one.alerts)
    for device in (*assessment.sources, *assessment.jigs, *assessment.readouts):
        add((device.name, None, None, None, None, device.kind), device.alerts)
    return rows


def _table(rows: Iterable[tuple[object, ...]], readings: pd.DataFrame) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows), columns=list(COLUMNS))
    frame["signalled_at"] = pd.to_datetime(frame["signalled_at"]).astype("datetime64[us]")
    for name in frame.columns.drop(["signalled_at", "reading_id"]):
        frame[name] = frame[name].astype("str").where(frame[name].notna())
    return frame.assign(reading_id=_tipping(frame, readings))


def alert_moments(assessment: FleetAssessment) -> list[datetime]:
    """When the countings were taken that tipped alerts: of the readings, ``log_alerts`` asks for no others."""
    return sorted({one.signalled_at for series in assessment.series for one in series.alerts})


def _tipping(alerts: pd.DataFrame, readings: pd.DataFrame) -> pd.Series:
    """The reading that tipped each alert: that of its probe and window at its moment, of a measurement that may have."""
    out = pd.Series(pd.NA, index=alerts.index, dtype="Int64")
    at = readings[readings["taken_at"].isin(alerts["signalled_at"])]
    keys = zip(at["probe"].astype(object), at["window"].astype(object), at["taken_at"], strict=True)
    known: dict[tuple[object, ...], dict[str, int]] = {}
    for key, measurement, number in zip(keys, at["measurement"].astype(object), at["reading_id"], strict=True):
        known.setdefault(key, {}).setdefault(str(measurement), int(number))
    mine = zip(alerts["subject"], alerts["window"], alerts["signalled_at"], alerts["quantity"], strict=True)
    for place, (subject, window, moment, quantity) in enumerate(mine):
        there = known.get((subject, window, moment), {})
        found = [there[one] for one in _TIPPING.get(quantity, ("source",)) if one in there]
        if found:
            out.iloc[place] = found[0]
    return out


def log_alerts(
    path: str | Path, assessment: FleetAssessment, readings: pd.DataFrame, *, wait_s: float = 60.0, known: set[Shown] | None = None
) -> int:
    """Append those alerts that are not in the log yet, in one transaction; returns how many.

    Nothing is opened for writing where nothing is new. Two processes at once add each alert once. wait_s: how long to
    wait for others that have the store open. known: alerts that this store's log has, which are not looked up again, as
    nothing is ever taken out of a log; those that it has afterwards are added.

    Raises:
        UserError: the store cannot be written to, or is in use for longer.
    """
    rows = _rows(assessment)
    known = set() if known is None else known
    fresh = {key: row for key, row in rows.items() if key not in known}
    count = _entered(path, assessment, _table(fresh.values(), readings), wait_s) if fresh else 0
    known.update(fresh)
    return count


def _entered(path: str | Path, assessment: FleetAssessment, shown: pd.DataFrame, wait_s: float) -> int:
    store = Store(path, purpose="steadycount, alert log", wait_s=wait_s, on_wait=_in_silence)
    with store.reading() as con:
        if not _unknown(con, shown):
            return 0
    with store.writing() as con:
        con.register("shown", shown)
        last = int(scalar(con, "SELECT coalesce(max(alert_id), 0) FROM alert"))
        columns = ", ".join(f"s.{quoted(one)}" for one in COLUMNS)
        count = scalar(
            con,
            f"INSERT INTO alert (alert_id, shown_at, revision, config, {', '.join(map(quoted, COLUMNS))})"
            f" SELECT {last} + row_number() OVER (ORDER BY s.signalled_at, s.subject, s.quantity, s.rule), ?, ?, ?,"
            f" {columns} FROM shown s WHERE NOT EXISTS (SELECT 1 FROM alert a WHERE {_ALIKE})",
            [site_now(zone_in(con)), assessment.revision, assessment.config],
        )
        con.unregister("shown")
        if count:
            ends = [last + 1, last + int(count)]
            after = {"alert_id": ends, "digest": digest_of(con, *ends)}
            record(con, by=TOOL, action=SHOWN, subject=f"alerts {ends[0]} to {ends[1]}", after=after)
    return int(count)


def digest_of(con: duckdb.DuckDBPyConnection, first: int, last: int) -> str:
    """The digest of the rows of the log with these numbers, both ends included."""
    rows = con.sql("SELECT * FROM alert WHERE alert_id BETWEEN ? AND ? ORDER BY alert_id", params=[first, last])
    return digest(rows.to_arrow_reader(100_000))


def _unknown(con: duckdb.DuckDBPyConnection, shown: pd.DataFrame) -> int:
    con.register("shown", shown)
    try:
        return int(
            scalar(con, f"SELECT count(*) FROM shown s WHERE NOT EXISTS (SELECT 1 FROM alert a WHERE {_ALIKE})")
        )
    finally:
        con.unregister("shown")


_ALIKE = " AND ".join(f'a."{one}" IS NOT DISTINCT FROM s."{one}"' for one in KEY)


def _in_silence(_message: str) -> None:
    """Nobody waits for the log: the answer is there already."""
