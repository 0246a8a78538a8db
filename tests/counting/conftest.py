"""A small set of records for the counting tests: a few probes and sources, one window, and any readings."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest

from analytics import settings
from analytics.counting import Counted, count_records
from analytics.records import snapshot
from analytics.records.snapshot import Records

PROBES = {"probe": ["GP-1", "GP-2"], "site": ["North", "North"], "detector": ["CZT", None]}
SOURCES = {
    "source": ["CK-1", "CK-2", "CK-bare", "CK-odd"],
    "nuclide": ["Co-57", "57Co", "Co57", "Plastic"],
    "reference_at": ["2024-01-01"] * 4,
    "activity_kbq": [1000.0, 2000.0, None, 1000.0],
}
WINDOWS = {
    "window": ["Co-57"], "nuclide": ["Co-57"], "centre_kev": [122.06], "width_pct": [20.0], "offset_pct": [10.0],
}


def records_of(
    readings: list[dict[str, object]], *, probes: dict[str, list[object]] | None = None,
    sources: dict[str, list[object]] | None = None, inspections: dict[str, list[object]] | None = None,
) -> Records:
    """Records with these readings; what a reading leaves out is filled in (probe GP-1, window Co-57, 10 s)."""
    filled = [
        {"probe": "GP-1", "window": "Co-57", "measurement": "source", "count_time_s": 10.0, **one} for one in readings]
    for one in filled:
        if one["measurement"] != "background":
            one.setdefault("source", "CK-1")
    frame = pd.DataFrame(filled)
    if len(frame):
        frame["taken_at"] = pd.to_datetime(frame["taken_at"], format="ISO8601")
        if "reading_id" not in frame:
            frame["reading_id"] = range(1, len(frame) + 1)
        frame = frame.sort_values(["taken_at", "reading_id"], kind="stable").reset_index(drop=True)
    table = Records.table
    return Records(
        1, table(snapshot.READINGS, frame), table(snapshot.PROBES, probes or PROBES),
        table(snapshot.SOURCES, sources or SOURCES), table(snapshot.WINDOWS, WINDOWS), table(snapshot.EVENTS),
        table(snapshot.INSPECTIONS, inspections or {}), table(snapshot.USES), table(snapshot.OUTCOMES),
        table(snapshot.DECISIONS))


@pytest.fixture
def make_records() -> Callable[..., Records]:
    """`records_of`."""
    return records_of


@pytest.fixture
def count() -> Callable[..., Counted]:
    """Readings in, `Counted` out, with the shipped settings."""

    def counted(readings: list[dict[str, object]], **tables: object) -> Counted:
        return count_records(records_of(readings, **tables), settings.load())

    return counted
