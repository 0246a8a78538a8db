"""The answer on a fleet that takes its time: worked out beside the pages, which show the last one meanwhile.

A saved check makes a new answer. Where that takes longer than a page may, visitors see the answer before it and are told so;
the new one comes by itself. Where there is none before it, or the records are no longer those it speaks of (a probe more or
less, readings undone), the page waits and shows how far it is.
What a check concerns is mostly one site: then its answer is made from the last one (``analytics.spread.kept``) in the process
beside the pages, which keeps it; what comes back is what is another (``handed``).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace
from datetime import datetime
from threading import Lock

from analytics.records.snapshot import Records
from analytics.records.standing import Standing
from analytics.results import FleetAssessment
from analytics.settings import Settings
from dashboard.seam import garbage, worker
from dashboard.seam.worker import Job, StillWorkingError

AT_ONCE = 5_000  # readings whose answer takes about half a second: less than a line about waiting is worth
MOST = 4  # answers kept, each with its records
MORE_SHARE = 0.1  # of the time for a whole answer that one check more takes, at most

Key = tuple[str, int, str, datetime]  # store, revision, folder of settings, moment
Line = tuple[str, str, datetime | None]  # store, folder of settings, the earlier moment asked for; None: now

_s_per_reading = 2e-5  # until one has been measured here
_gate = Lock()


@dataclass(frozen=True)
class _Asked:
    job: Job
    line: Line
    probes: frozenset[str]
    records: Records
    stand: Standing | None  # what the records were read on from, where they were

    @property
    def answer(self) -> FleetAssessment:
        """What came of it; raises what the work raised."""
        found: FleetAssessment = self.job.future.result()
        return found


_asked: dict[Key, _Asked] = {}  # oldest first
_numbers = itertools.count(1)
_base: tuple[int, Records] | None = None  # the records that the process beside was last given whole, and their number


def found(
    key: Key, line: Line, records: Records | Standing, settings: Settings,
    entered: Callable[[FleetAssessment], None] | None = None,
) -> FleetAssessment:  # fmt: skip
    """The answer for the key, or the last one on the same line while that is being worked out.

    records: standing where the answer for now is asked for, which the next one may go on from.
    entered: called once with the new answer, on a thread of its own.

    Raises:
        StillWorkingError: there is no answer to show meanwhile.
    """
    with _gate:
        one = _asked.get(key)
        if one is not None and one.job.done and one.job.future.exception() is not None:
            del _asked[key]  # told once; who loads the page again has it tried again
            one.job.future.result()
        if one is None:
            one = _ask(key, line, records, settings, entered)
        if one.job.done:
            return one.answer
        before = _before(key, one)
    if before is None:
        raise StillWorkingError(one.job)
    return before


def records_of(answer: FleetAssessment) -> Records | None:
    """The records that an answer speaks of; None where it was not worked out here."""
    one = _of(answer)
    return None if one is None else one.records


def standing_of(answer: FleetAssessment) -> Standing | None:
    """The same with what they were read on from; None where it is not known."""
    one = _of(answer)
    return None if one is None else one.stand


def _of(answer: FleetAssessment) -> _Asked | None:
    with _gate:
        return next((one for one in reversed(_asked.values()) if _came(one) and one.answer is answer), None)


def awaited(line: Line) -> Job | None:
    """The newest answer on this line that is still being worked out."""
    with _gate:
        return next((one.job for one in reversed(_asked.values()) if one.line == line and not one.job.done), None)


def answered(line: Line) -> bool:
    """Whether anything on this line was worked out."""
    with _gate:
        return any(one.line == line and _came(one) for one in _asked.values())


def _came(one: _Asked) -> bool:
    future = one.job.future
    return one.job.done and not future.cancelled() and future.exception() is None


def forget() -> None:
    """Drop all answers."""
    with _gate:
        for one in _asked.values():
            one.job.future.cancel()
        _asked.clear()


def _ask(
    key: Key, line: Line, given: Records | Standing, settings: Settings, entered: Callable[[FleetAssessment], None] | None
) -> _Asked:
    stand = given if isinstance(given, Standing) else None
    records = given.records if isinstance(given, Standing) else given
    for other, old in list(_asked.items()):
        if old.line == line and old.job.future.cancel():  # not begun, and nobody will ask for it any more
            del _asked[other]
    spent = [other for other, old in _asked.items() if old.job.done]
    for other in spent[: max(len(spent) - MOST + 1, 0)]:
        del _asked[other]
    many = len(records.readings)
    readings = f"{many:,}".replace(",", "\u202f")
    says = f"Working out the fleet: {len(records.probes)} probes, {readings} readings"
    if stand is None:
        job = worker.present.ask("answer", records, settings, key[3], says=says, about_s=about_s(records))
    else:
        number, more = _number(stand.base)
        place, rest = (key[0], key[2]), (settings, key[3])
        whole, bare = replace(stand), replace(stand, base=replace(stand.base, readings=stand.base.readings.iloc[:0]))
        job = worker.present.ask(
            "newest", place, number, whole, *rest, says=says, about_s=about_s(records) * (MORE_SHARE if more else 1),
            first=("newest_of", (place, number, bare, *rest)) if more else None,
        )  # fmt: skip
    made = _Asked(job, line, frozenset(records.probes["probe"]), records, stand)
    _asked[key] = made

    def when_done(future: Future[FleetAssessment]) -> None:
        if future.cancelled() or future.exception() is not None:
            return
        if job.anew or stand is None:
            _measured(job, many)
            garbage.settle()
        if entered is not None:
            entered(future.result())

    job.future.add_done_callback(when_done)
    return made


def _number(base: Records) -> tuple[int, bool]:
    """The number of the records that others are read on from, and whether the process beside was given them already."""
    global _base  # noqa: PLW0603 - one process beside the pages, one memory of what it was given
    if _base is not None and _base[1] is base:
        return _base[0], True
    _base = next(_numbers), base
    return _base[0], False


def about_s(records: Records) -> float:
    """How long an answer takes, as far as is known here, s."""
    return 1.0 + len(records.readings) * _s_per_reading


def _measured(job: Job, readings: int) -> None:
    global _s_per_reading  # noqa: PLW0603 - one measure for the process
    if job.took_s is not None and readings:
        _s_per_reading = job.took_s / readings


def _before(key: Key, now: _Asked) -> FleetAssessment | None:
    """The last answer on the line that still speaks of the same probes and of no reading that is gone; or a newer one.

    A newer one is there where the records grew between this page's look at them and its question.
    """
    for (_, revision, *_), one in reversed(_asked.items()):
        if one is not now and one.line == now.line and one.job.done and not one.job.future.cancelled():
            gone = one.probes != now.probes or len(one.records.readings) > len(now.records.readings)
            if one.job.future.exception() is not None or (gone and revision <= key[1]):
                return None
            return one.answer
    return None
