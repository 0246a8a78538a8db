"""Whose answer changed since an earlier moment. On a large store this is worked out beside the page, which does not wait."""

from __future__ import annotations

from dataclasses import fields, replace
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
_base: tuple[Records, datetime, str] | None = None  # readings that others are read on from, a moment, their print then
_asked: dict[Key, Job] = {}  # what was the answer on each probe then; oldest first


def changes(look: read.Look, since: datetime) -> Changes | None:
    """Probes whose answer is another than at ``since``, worst first; None while that is still being worked out.

    A newer question takes the place of those that wait.
    """
    if len(look.records.readings) <= answers.AT_ONCE:
        return keep.kept(look, lambda: digest.changes(read.assessment(since), look.assessment), "changes", since)
    known = keep.kept(look, lambda: _print(look, since), "known then", since)
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


def _print(look: read.Look, since: datetime) -> str:
    """One text for all that was known at a moment: a check made since does not have that answer worked out anew.

    Of readings that later ones were read on from the print is made once; hundreds of thousands took a page 0.05 s at each check.
    """
    stand = answers.standing_of(look.assessment)
    if stand is None or stand.records is not look.records:
        return _tables(look.records, since)
    return keep.print_of(_of_base(stand.base, since), sorted(stand.replaced), _tables(stand.now, since))


def _tables(records: Records, since: datetime) -> str:
    then = cut(records, since)
    return keep.print_of(*(getattr(then, one.name) for one in fields(Records) if one.name != "revision"))


def _of_base(base: Records, since: datetime) -> str:
    global _base  # noqa: PLW0603 - the last one, kept alive so that it can be told from another
    if _base is None or _base[0] is not base or _base[1] != since:
        _base = base, since, _tables(replace(Records.nothing(), readings=base.readings), since)
    return _base[2]


def finish() -> None:
    """Wait for what is being worked out, and forget all of it."""
    with _gate:
        for one in _asked.values():
            one.future.exception()
        _asked.clear()
