"""What was shown to people: an append-only log of alerts, each with the revision and settings of that moment.

It is no input of the analysis, so it leaves the revision alone.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from analytics.records.sql import scalar
from analytics.records.store import Store
from analytics.records.store_settings import site_now, zone_in
from analytics.results import Alert, FleetAssessment

_KEY = ("subject", "window", "jig", "collimator", "nuclide", "quantity", "rule", "direction", "signalled_at")


def _rows(assessment: FleetAssessment) -> pd.DataFrame:
    """Every alert of an assessment with what it is about."""
    rows: list[tuple[object, ...]] = []

    def add(about: tuple[object, ...], alerts: tuple[Alert, ...]) -> None:
        rows.extend((*about, one.episode, one.rule, one.direction, one.signalled_at, one.detail) for one in alerts)

    for series in assessment.series:
        add(
            (series.probe, series.window, series.jig, series.collimator, series.nuclide, series.quantity), series.alerts
        )
    for device in (*assessment.sources, *assessment.jigs, *assessment.readouts):
        add((device.name, None, None, None, None, device.kind), device.alerts)
    columns = [
        "subject",
        "window",
        "jig",
        "collimator",
        "nuclide",
        "quantity",
        "episode",
        "rule",
        "direction",
        "signalled_at",
        "detail",
    ]
    return pd.DataFrame(rows, columns=columns).drop_duplicates(list(_KEY))


def log_alerts(path: str | Path, assessment: FleetAssessment) -> int:
    """Append those alerts that are not in the log yet; returns how many."""
    frame = _rows(assessment)
    if frame.empty:
        return 0
    frame["signalled_at"] = pd.to_datetime(frame["signalled_at"]).astype("datetime64[us]")
    for name in frame.columns.drop("signalled_at"):
        frame[name] = frame[name].astype("str").where(frame[name].notna())
    alike = " AND ".join(f'a."{one}" IS NOT DISTINCT FROM s."{one}"' for one in _KEY)
    with Store(path).writing() as con:
        con.register("shown", frame)
        last = int(scalar(con, "SELECT coalesce(max(alert_id), 0) FROM alert"))
        count = scalar(
            con,
            f'INSERT INTO alert SELECT {last} + row_number() OVER (), ?, ?, ?, subject, "window", jig, collimator,'
            " nuclide, quantity,"
            " episode, rule, direction, signalled_at, NULL, detail"
            f" FROM shown s WHERE NOT EXISTS (SELECT 1 FROM alert a WHERE {alike})",
            [site_now(zone_in(con)), assessment.revision, assessment.config],
        )
        con.unregister("shown")
    return int(count)


def alert_log(path: str | Path) -> pd.DataFrame:
    """Everything that was ever shown, oldest first."""
    with Store(path).reading() as con:
        return con.execute("SELECT * FROM alert ORDER BY alert_id").df()
