"""The records as they stood at a moment: nothing dated later."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pandas as pd

from analytics.records.snapshot import Records


def cut(records: Records, as_of: datetime) -> Records:
    """Rows dated at or before ``as_of`` of every dated table; a withdrawal later than that has not happened yet."""
    moment = pd.Timestamp(as_of)

    def upto(table: pd.DataFrame, column: str) -> pd.DataFrame:
        return table[table[column] <= moment].reset_index(drop=True)

    sources = records.sources.copy()
    later = sources["withdrawn_on"] > moment
    sources.loc[later, "withdrawn_on"] = pd.NaT
    return replace(
        records,
        readings=upto(records.readings, "taken_at"),
        events=upto(records.events, "happened_at"),
        sources=sources,
        inspections=upto(records.inspections, "done_at"),
        uses=upto(records.uses, "used_at"),
        outcomes=upto(records.outcomes, "found_at"),
        decisions=upto(records.decisions, "decided_at"),
    )
