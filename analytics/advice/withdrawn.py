"""Which probes are withdrawn: taken out of use for good, until a clearing brings one back."""

from __future__ import annotations

from datetime import datetime

import pandas as pd

from analytics.records.snapshot import Records

OUT, BACK = "withdrawn", "cleared"


def withdrawn_since(records: Records, as_of: datetime) -> pd.Series:
    """By probe id, when each probe that is withdrawn at ``as_of`` was; [withdrawn probes], datetime64[us].

    A clearing brings back, whether it is an event on record or was decided on a page; a repair or a new detector does not,
    since neither says that the probe is to be used again (``out_of_use`` says the same of patient use). Of a withdrawal and
    a clearing at the same moment the clearing counts. No withdrawal: no row.
    """
    events, decisions = records.events, records.decisions
    told = pd.concat(
        [
            events[["probe", "kind", "happened_at"]].astype({"probe": object, "kind": object}),
            decisions[["probe", "kind", "decided_at"]].rename(columns={"decided_at": "happened_at"}).astype({"probe": object, "kind": object}),
        ],
        ignore_index=True,
    )
    told = told[(told["happened_at"] <= pd.Timestamp(as_of)) & told["probe"].notna()]
    newest = {kind: told[told["kind"] == kind].groupby("probe")["happened_at"].max() for kind in (OUT, BACK)}
    back = newest[BACK].reindex(newest[OUT].index)
    return newest[OUT][~(back >= newest[OUT])]
