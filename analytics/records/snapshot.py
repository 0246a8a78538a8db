"""The records as the analysis sees them: plain tables of one revision, and nothing of the database.

Text ids keep case and leading zeros. Times are naive ``datetime64[us]`` in the site's local time (a time that came
with an offset was converted on loading). Missing text is None/NaN of the ``str`` or category dtype, missing numbers NaN.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

# column -> dtype; "cat" is a pandas categorical with sorted string categories.
READINGS = {
    "reading_id": "int64",  # unique, rising in the order of storage
    "probe": "cat",
    "taken_at": "datetime64[us]",
    "window": "cat",
    "measurement": "cat",
    "counts": "float64",  # whole numbers; NaN where only a displayed rate is known
    "rate_cps": "float64",  # NaN unless the row is a displayed rate
    "rate_step_cps": "float64",  # last digit of the displayed rate (rounding variance step²/12); NaN unless derived
    "count_time_s": "float64",
    "source": "cat",
    "repeat": "int32",
    "reseated": "bool",
    "jig": "cat",
    "collimator": "cat",
    "readout": "cat",
    "operator": "cat",
    "temperature_c": "float64",
    "battery_pct": "float64",
    "on_minutes": "float64",
    "note": "str",
    "excluded": "bool",  # hidden from the analysis by a person
    "load": "int32",
    "file": "cat",
    "row": "int32",  # where it came from
}
PROBES = {
    "probe": "str",
    "site": "str",
    "model_type": "str",
    "detector": "str",
    "connection": "str",
    "diameter_mm": "float64",
    "in_service_on": "datetime64[us]",
    "dead_time_us": "float64",
    "dead_time_model": "str",
    "replacement_cost": "float64",
    "note": "str",
}
SOURCES = {
    "source": "str",
    "nuclide": "str",
    "reference_at": "datetime64[us]",
    "activity_kbq": "float64",
    "activity_uncertainty_pct": "float64",
    "site": "str",
    "withdrawn_on": "datetime64[us]",
}
WINDOWS = {"window": "str", "nuclide": "str", "centre_kev": "float64", "width_pct": "float64", "offset_pct": "float64"}
EVENTS = {
    "event_id": "int64",
    "probe": "str",
    "happened_at": "datetime64[us]",
    "kind": "str",
    "new_reference": "bool",  # the kind's default already filled in
    "site": "str",
    "by": "str",
    "cost": "float64",
    "note": "str",
}
INSPECTIONS = {
    "inspection_id": "int64",
    "probe": "str",
    "source": "str",
    "done_at": "datetime64[us]",
    "kind": "str",
    "result": "str",
    "value": "float64",
    "unit": "str",
    "nuclide": "str",
    "person": "str",
    "note": "str",
}
USES = {"probe": "str", "used_at": "datetime64[us]", "case_reference": "str"}
OUTCOMES = {"probe": "str", "found_at": "datetime64[us]", "found": "str", "note": "str"}
# Decisions of people: kind is one of "cleared", "out_of_use", "overrule", "seen", "handed", "settled".
DECISIONS = {
    "decision_id": "int64",
    "probe": "str",
    "decided_at": "datetime64[us]",
    "kind": "str",
    "value": "str",
    "episode": "str",
    "by": "str",
    "reason": "str",
}


@dataclass(frozen=True)
class Records:
    """All tables of one revision. Readings are ordered by (taken_at, reading_id), the others by their key."""

    revision: int
    readings: pd.DataFrame
    probes: pd.DataFrame
    sources: pd.DataFrame
    windows: pd.DataFrame
    events: pd.DataFrame
    inspections: pd.DataFrame
    uses: pd.DataFrame
    outcomes: pd.DataFrame
    decisions: pd.DataFrame

    @classmethod
    def nothing(cls) -> Records:
        """Records without a row, at revision 0.

        >>> len(Records.nothing().readings)
        0
        """
        tables = (READINGS, PROBES, SOURCES, WINDOWS, EVENTS, INSPECTIONS, USES, OUTCOMES, DECISIONS)
        return cls(0, *(cls.table(one) for one in tables))

    @staticmethod
    def table(columns: dict[str, str], rows: dict[str, list[object]] | pd.DataFrame | None = None) -> pd.DataFrame:
        """A table with exactly these columns and dtypes; columns that are not given are missing throughout.

        >>> Records.table(WINDOWS, {"window": ["Co-57"], "centre_kev": [122.06]})["width_pct"].isna().all()
        np.True_
        """
        given = pd.DataFrame(rows) if rows is not None else pd.DataFrame()
        made = {name: _column(given.get(name), dtype, given.index) for name, dtype in columns.items()}
        return pd.DataFrame(made, index=given.index)


def _column(given: pd.Series | None, dtype: str, index: pd.Index) -> pd.Series | pd.Categorical:
    """One column in its dtype; None: missing throughout."""
    if given is not None and given.dtype == dtype:  # as the database gives most of them
        return given
    column = given if given is not None else pd.Series([None] * len(index), index=index, dtype=object)
    if dtype == "cat":
        text = column.astype("str").where(column.notna())
        return pd.Categorical(text, categories=sorted(text.dropna().unique()))
    if dtype == "str":
        return column.astype("str").where(column.notna())
    if dtype.startswith("datetime"):
        return pd.to_datetime(column).astype("datetime64[us]")
    if dtype == "bool":
        column = column.astype("boolean").fillna(False)
    else:
        column = pd.to_numeric(column)
        column = column.fillna(0) if dtype.startswith("int") else column
    return column.astype(dtype)  # type: ignore[call-overload, no-any-return]
