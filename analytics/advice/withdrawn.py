"""Which probes are withdrawn: the last event that takes out of use or brings back decides."""

from __future__ import annotations

from datetime import datetime

import pandas as pd

DECIDING = ("withdrawn", "cleared", "repair", "detector_replaced")


def withdrawn_since(events: pd.DataFrame, as_of: datetime) -> pd.Series:
    """By probe id, when each probe that is withdrawn at ``as_of`` was; [withdrawn probes], datetime64[us].

    events: as in ``Records.events``. Of two at the same moment the later entered one counts. No event: no row.
    """
    told = events[(events["happened_at"] <= pd.Timestamp(as_of)) & events["kind"].isin(DECIDING)]
    last = told.sort_values(["happened_at", "event_id"], kind="stable").drop_duplicates("probe", keep="last")
    gone = last[last["kind"] == "withdrawn"]
    return gone.set_index(gone["probe"].astype(str))["happened_at"]
