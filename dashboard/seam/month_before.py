"""Whose answer changed since an earlier moment. On a large store this is worked out beside the page, which does not wait."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime
from threading import Lock

from analytics.records.snapshot import Records
from analytics.results import FleetAssessment
from analytics.settings import Settings
from dashboard.seam import digest, keep, place, read
from dashboard.seam.digest import Change

AT_ONCE = 30_000  # readings whose answer takes about a second or two: less than a line about waiting is worth
Changes = tuple[Change, ...]

Key = tuple[str, int, str, datetime, datetime]
MOST = 8  # answers kept

_worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="month-before")
_gate = Lock()
_asked: dict[Key, Future[Changes]] = {}  # oldest first


def changes(look: read.Look, since: datetime) -> Changes | None:
    """Probes whose answer is another than at ``since``, worst first; None while that is still being worked out.

    Only the changes are kept, and not the whole answer of then. A newer question takes the place of those that wait.
    """
    if len(look.records.readings) <= AT_ONCE:
        return keep.kept(look, lambda: digest.changes(read.assessment(since), look.assessment), "changes", since)
    key = (str(place.store_path()), look.assessment.revision, look.assessment.config, look.as_of, since)
    with _gate:
        found = _asked.get(key)
        if found is None:
            for other, one in list(_asked.items()):
                if one.cancel() or len(_asked) >= MOST:
                    del _asked[other]
            found = _worker.submit(_worked_out, look.records, look.settings, look.assessment, since)
            _asked[key] = found
    return found.result() if found.done() else None


def finish() -> None:
    """Wait for what is being worked out, and forget all of it."""
    with _gate:
        for one in _asked.values():
            one.exception()
        _asked.clear()


def _worked_out(records: Records, settings: Settings, after: FleetAssessment, since: datetime) -> Changes:
    from analytics.fleet import assess

    return digest.changes(assess(records, settings, since), after)
