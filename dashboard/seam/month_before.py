"""Whose answer changed since an earlier moment. On a large store this is worked out beside the page, which does not wait."""

from __future__ import annotations

from dataclasses import fields
from datetime import datetime
from threading import Lock

from analytics.cut import cut
from analytics.records.snapshot import Records
from analytics.results import ProbeResult
from dashboard.seam import answers, digest, keep, place, read, worker
from dashboard.seam.digest import Change
from dashboard.seam.worker import Job

Changes = tuple[Change, ...]

Key = tuple[str, str, str, datetime]  # store, print of what was known then, settings, moment
MOST = 8  # answers kept

_gate = Lock()
_asked: dict[Key, Job] = {}  # what was the answer on each probe then; oldest first


def changes(look: read.Look, since: datetime) -> Changes | None:
    """Probes whose answer is another than at ``since``, worst first; None while that is still being worked out.

    A newer question takes the place of those that wait.
    """
    if len(look.records.readings) <= answers.AT_ONCE:
        return keep.kept(look, lambda: digest.changes(read.assessment(since), look.assessment), "changes", since)
    known = keep.kept(look, lambda: _print(look.records, since), "known then", since)
    key = (str(place.store_path()), known, look.settings.fingerprint, since)
    with _gate:
        job = _asked.get(key)
        if job is None:
            for other, one in list(_asked.items()):
                if one.future.cancel() or len(_asked) >= MOST:
                    del _asked[other]
            job = worker.later.ask(
                "probes_at", look.records, look.settings, since, says="Working out the answers of a month before", about_s=10.0
            )
            _asked[key] = job
    if not job.done:
        return None
    before: tuple[ProbeResult, ...] = job.future.result()
    return keep.kept(look, lambda: digest.changed(before, look.assessment), "changes", since)


def _print(records: Records, since: datetime) -> str:
    """One text for all that was known at a moment: a check made since does not have that answer worked out anew."""
    then = cut(records, since)
    return keep.print_of(*(getattr(then, one.name) for one in fields(Records) if one.name != "revision"))


def finish() -> None:
    """Wait for what is being worked out, and forget all of it."""
    with _gate:
        for one in _asked.values():
            one.future.exception()
        _asked.clear()
