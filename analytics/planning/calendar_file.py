"""The plan as a calendar file (RFC 5545, by the ``icalendar`` library): one all-day event a visit."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from analytics import __version__
from analytics.advice.plan_result import Plan, TaskKind, Visit
from analytics.records.snapshot import Records

WORDS: Mapping[TaskKind, str] = {
    "service": "service",
    "replace": "replace",
    "check": "check",
    "window_check": "window check",
}
_NAMES = uuid.uuid5(uuid.NAMESPACE_OID, "steadycount planned visit")


def newest_record(records: Records, as_of: datetime) -> datetime:
    """The moment of the newest reading or event at or before ``as_of``; ``as_of`` where there is none."""
    found = [
        column[column <= as_of].max()
        for column in (records.readings["taken_at"], records.events["happened_at"])
        if (column <= as_of).any()
    ]
    return max(found).to_pydatetime() if found else as_of


def calendar(plan: Plan, stamped_at: datetime, time_zone: str) -> bytes:
    """The visits as an iCalendar file, in UTF-8 with folded lines.

    An event is the whole day of its visit. Its UID follows from site and day alone, so that the same visit read in
    twice is one event. DTSTAMP is ``stamped_at`` (site-local; the newest record is a good choice, so that the same
    records give the same file), in UTC. A plan without visits is a calendar without events.
    """
    from icalendar import Calendar, Event

    made = Calendar()
    made.add("prodid", f"-//Steadycount//{__version__}//EN")
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    made.add("method", "PUBLISH")
    made.add("x-wr-calname", "Service plan of gamma probes")
    made.add("x-wr-timezone", time_zone)
    stamp = stamped_at.replace(tzinfo=ZoneInfo(time_zone), microsecond=0).astimezone(UTC)
    for visit in plan.visits:
        event = Event()
        event.add("uid", uid(visit))
        event.add("dtstamp", stamp)
        event.add("dtstart", visit.on)
        event.add("dtend", visit.on + timedelta(days=1))
        event.add("summary", summary(visit))
        event.add("location", visit.site)
        event.add("description", description(visit, plan))
        event.add("categories", ["Steadycount"])
        event.add("transp", "TRANSPARENT")
        made.add_component(event)
    return bytes(made.to_ical())


def uid(visit: Visit) -> str:
    """The name of a visit's event: always the same for one site and day."""
    return f"{uuid.uuid5(_NAMES, f'{visit.on.isoformat()} {visit.site}')}@steadycount"


def summary(visit: Visit) -> str:
    """What a visit is for, in one line."""
    parts = []
    for kind, word in WORDS.items():
        named = [task.probe for task in visit.probes if task.kind == kind]
        if kind in ("service", "replace") and named:
            parts.append(f"{word} {', '.join(named)}")
        elif named:
            parts.append(f"{len(named)} {word}{'s' if len(named) > 1 else ''}")
    if visit.sources:
        parts.append(f"replace source {', '.join(visit.sources)}")
    return f"{visit.site}: {'; '.join(parts)}"


def description(visit: Visit, plan: Plan) -> str:
    """Every thing to do with its reason, the loans that day, and what a plan is not."""
    lines = [f"{task.probe}, {WORDS[task.kind]}: {task.why}" for task in visit.probes]
    reasons = {one.source: one.why for one in plan.sources}
    lines += [f"Source {name}, replace: {reasons.get(name, '')}" for name in visit.sources]
    lines += [
        f"Spare: {one.probe} of {one.from_site} to {one.to_site} from {one.from_on} to {one.to_on}: {one.why}"
        for one in plan.loans
        if visit.site in (one.from_site, one.to_site) and one.from_on <= visit.on <= one.to_on
    ]
    lines.append("A proposal made from the records; the physicist in charge and local rules decide.")
    return "\n".join(lines)
