"""What the bench writes: drafts as they are typed, the check itself, and corrections of one's own entries."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
import streamlit as st

from analytics.errors import UserError
from analytics.records.report import LoadReport
from analytics.settings import Settings
from dashboard.seam.bench_entry import Entry
from dashboard.seam.place import store_path
from dashboard.seam.sign_in import may, signed
from dashboard.seam.signature import because, named, reason_in_words

NOBODY = "(no name yet)"
_REFUSED = "draft_refused"  # in the visit's state: the records have said no to a draft already


def keep_draft(entry: Entry, draft_id: int | None) -> int:
    """Keep what was typed so far; the draft's number.

    Where the role does not allow it, the first attempt of a visit is refused by the records, which enter it in the
    history; further keys are not asked for again.
    """
    from analytics.records import drafts
    from analytics.records.access import RefusedError

    if st.session_state.get(_REFUSED) and not may("draft"):
        raise UserError("your role here lets you look, and not record", do="Ask an administrator of these records.")
    try:
        return drafts.save_draft(store_path(), entry.payload(), by=signed(entry.by or NOBODY), draft_id=draft_id)
    except RefusedError:
        st.session_state[_REFUSED] = True
        raise


def draft(draft_id: int) -> Entry | None:
    """A kept draft, None where there is none of that number any more."""
    from analytics.records import drafts

    kept = drafts.drafts(store_path())
    kept = kept[kept["draft_id"] == draft_id]
    return Entry.from_payload(_read(kept["payload"].iloc[0])) if len(kept) else None


def open_drafts() -> pd.DataFrame:
    """Drafts that wait to be finished, newest first: draft_id, by, saved_at, probe."""
    from analytics.records import drafts

    kept = drafts.drafts(store_path())
    kept = kept.assign(probe=[str(_read(one).get("probe") or "") for one in kept["payload"]])
    return kept.sort_values("saved_at", ascending=False, kind="stable")


def drop_draft(draft_id: int) -> None:
    """Forget a draft."""
    from analytics.records import drafts

    drafts.delete_draft(store_path(), draft_id, by=signed(NOBODY))


def save_check(entry: Entry, settings: Settings, *, by: str, draft_id: int | None = None) -> LoadReport:
    """Record the check; UserError where a row would be held or the person is not named, and then nothing is written.

    draft_id: the draft that becomes the check; it goes with the same transaction.
    """
    from analytics import moment
    from analytics.records.typed_in import record_check

    by = named(by)
    zone = settings.site.time_zone
    report = record_check(store_path(), entry.rows(), by=by, now=moment.now(zone), draft_id=draft_id, time_zone=zone)
    if report.held:
        first = report.held[0]
        raise UserError(
            f"{reason_in_words(first.reason)} ({first.column}: {first.value})",
            where=f"row {first.row} of the check",
            do=first.hint,
        )
    if report.load is None and draft_id is not None:
        drop_draft(draft_id)  # it was in the records already
    return report


def correct(reading_id: int, column: str, value: object, *, by: str, reason: str) -> None:
    """Correct one field of one's own entry; the old value stays in the history."""
    from analytics.records import corrections

    corrections.correct(store_path(), reading_id, column, value, by=named(by), reason=because(reason))


def _read(payload: object) -> Mapping[str, Any]:
    import json

    return json.loads(payload) if isinstance(payload, str) else payload if isinstance(payload, Mapping) else {}
