"""The calendar file: read back by the library, and by the letter of RFC 5545 where that can be counted."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from icalendar import Calendar

from analytics.advice.plan_result import Plan, PlannedProbe, ProposedLoan, SourceTask, Visit
from analytics.planning.calendar_file import calendar, newest_record
from tests.advice import bench_case as case

DAY = date(2026, 7, 6)
ODD = "Nørth, wing; \\2"


def plan(*visits):
    """A plan with these visits, a source and a loan."""
    lent = ProposedLoan("GP-9", "South", ODD, DAY, DAY + timedelta(days=13), "it would be short")
    return Plan(DAY, date(2026, 12, 31), visits, (SourceTask("CK-1", DAY, "too weak", ODD),), (), 1.0, None, loans=(lent,))


def visit(on=DAY, site=ODD):
    """A service, two window checks and a source."""
    things = [PlannedProbe("GP-1", "falls by 3 %\nand more", "service", on)]
    things += [PlannedProbe(name, "due every 182 d", "window_check", on) for name in ("GP-2", "GP-3")]
    return Visit(site, on, tuple(things), ("CK-1",))


def events(made, zone="Europe/Vienna"):
    """The events of a calendar file, read back."""
    read = Calendar.from_ical(calendar(made, datetime(2026, 7, 1, 12, 30), zone))
    return list(read.walk("VEVENT"))


def test_one_event_a_visit_with_its_day_and_its_reasons():
    """Day, site, what and why come back, commas, semicolons, backslashes, letters and line ends included."""
    (one,) = events(plan(visit()))
    assert one.decoded("dtstart") == DAY
    assert one.decoded("dtend") == DAY + timedelta(days=1)
    assert str(one["location"]) == ODD
    assert str(one["summary"]) == f"{ODD}: service GP-1; 2 window checks; replace source CK-1"
    text = str(one["description"])
    assert "GP-1, service: falls by 3 %\nand more" in text
    assert "Source CK-1, replace: too weak" in text
    assert "Spare: GP-9 of South" in text
    assert "physicist in charge" in text


def test_the_stamp_is_the_records_moment_in_utc():
    """12:30 in Vienna in July is 10:30 UTC."""
    (one,) = events(plan(visit()))
    assert one.decoded("dtstamp") == datetime(2026, 7, 1, 10, 30, tzinfo=UTC)


def test_the_same_visit_has_the_same_uid_and_another_another():
    """The UID follows from site and day alone."""
    first, moved, elsewhere = events(plan(visit(), visit(DAY + timedelta(days=7)), visit(site="South")))
    (again,) = events(plan(Visit(ODD, DAY, ())))
    assert str(first["uid"]) == str(again["uid"])
    assert len({str(one["uid"]) for one in (first, moved, elsewhere)}) == 3


def test_lines_are_folded_and_end_as_the_rfc_asks():
    """RFC 5545 §3.1: lines end with CRLF and are no longer than 75 octets; §3.6: PRODID and VERSION once each."""
    raw = calendar(plan(visit()), datetime(2026, 7, 1), "UTC")
    lines = raw.split(b"\r\n")
    assert b"\n" not in b"".join(lines)
    assert max(len(one) for one in lines) <= 75
    assert sum(one.startswith(b"PRODID") for one in lines) == sum(one.startswith(b"VERSION:2.0") for one in lines) == 1


def test_a_plan_without_visits_is_a_calendar_without_events():
    """Still a calendar that can be read."""
    assert events(plan()) == []


def test_the_newest_record_is_not_later_than_the_moment():
    """The last reading of the plain case was on 27 February at 9; before all readings it is the moment itself."""
    assert newest_record(case.records(), case.AS_OF) == datetime(2026, 2, 27, 9)
    early = datetime(2020, 1, 1)
    assert newest_record(case.records(), early) == early
