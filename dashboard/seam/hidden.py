"""Checks that a person hid from the analysis: what they would have been, so that the chart can show them hollow."""

from __future__ import annotations

import dataclasses
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.counting import Responses, count_records
from analytics.counting.columns import Names
from analytics.records.snapshot import Records
from analytics.results import POINT_COLUMNS, SeriesResult
from analytics.settings import Settings

Z90 = 1.6448536269514722  # two-sided 90 %


def with_hidden(
    records: Records, settings: Settings, series: SeriesResult, points: pd.DataFrame, as_of: datetime
) -> pd.DataFrame:
    """The points of a response series together with its excluded checks, in time order.

    points: ``FleetAssessment.points_of(series)``; returned as it is where nothing was hidden.

    A hidden check has flag ``excluded``, the value it would have had, an interval from counting alone, reference and
    shared movement of the charted check before it (else after it); no z, no statistic, and a negative check id.
    """
    mine = records.readings[
        (records.readings["probe"] == series.probe)
        & (records.readings["window"] == series.window)
        & (records.readings["taken_at"] <= as_of)
    ]
    hidden = mine.loc[mine["excluded"] & (mine["measurement"] == "source"), "reading_id"]
    if hidden.empty:
        return points
    shown = dataclasses.replace(records, readings=mine.assign(excluded=False))
    counted = count_records(shown, settings)
    table, names = counted.response, counted.names
    members = counted.members
    touched = members.loc[members["reading_id"].isin(hidden) & (members["role"] == "source"), "check"]
    fits = np.isin(table.check, touched) & np.isfinite(table.log_response)
    for given, codes, words in (
        (series.jig, table.keys.jig, names.jig),
        (series.collimator, table.keys.collimator, names.collimator),
        (series.nuclide, table.keys.nuclide, names.nuclide),
    ):
        here = np.array([*words, None], dtype=object)[codes[table.series]]
        fits &= here == given
    fits &= ~np.isin(table.check_at, points["check_at"].to_numpy())
    rows = np.flatnonzero(fits)
    if len(rows) == 0:
        return points
    added = _as_points(table.rows(rows), names, series, points)
    both = pd.concat(
        [points.astype(dict.fromkeys(("flag", "source", "jig", "readout"), object)), added], ignore_index=True
    )
    return both.sort_values(["check_at", "check"], kind="stable", ignore_index=True)


def _as_points(table: Responses, known: Names, series: SeriesResult, points: pd.DataFrame) -> pd.DataFrame:
    at, n = table.check_at.astype("datetime64[us]"), len(table)
    shared, expected = np.zeros(n), np.full(n, np.nan)
    charted = points[points["expected"].notna()]
    if len(charted):
        before = np.searchsorted(charted["check_at"].to_numpy(), at, side="right") - 1
        near = charted.iloc[np.maximum(before, 0)]
        shared, expected = near["shared_pct"].fillna(0.0).to_numpy(), near["expected"].to_numpy()
    value, sd = np.exp(table.log_response), np.sqrt(table.log_var)
    equipment = {"source": known.source, "jig": known.jig, "readout": known.readout}
    name = {kind: np.array([*words, None], dtype=object) for kind, words in equipment.items()}
    made = {
        "series": np.full(n, series.index, np.int32),
        "check": -1 - np.arange(n, dtype=np.int64),
        "check_at": at,
        "value": value,
        "value_low": value * np.exp(-Z90 * sd),
        "value_high": value * np.exp(Z90 * sd),
        "corrected": value / (1 + shared / 100),
        "expected": expected,
        "shared_pct": shared,
        "flag": np.full(n, "excluded", dtype=object),
        "source": name["source"][table.source],
        "jig": name["jig"][table.jig],
        "readout": name["readout"][table.readout],
    }
    return pd.DataFrame({column: made.get(column, np.full(n, np.nan)) for column in POINT_COLUMNS})
