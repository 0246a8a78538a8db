"""Moments as the tool keeps them: naive, in the site's local time."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from analytics.errors import UserError


def zone(time_zone: str) -> ZoneInfo:
    """The time zone of that IANA name; UserError where there is none."""
    try:
        return ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UserError(
            f"`{time_zone}` is no time zone",
            where="setting site.time_zone",
            do="Give an IANA name, such as Europe/Vienna.",
        ) from error


def now(time_zone: str) -> datetime:
    """The site's clock, to the second. The analysis never calls this: whoever asks it hands the moment in."""
    return datetime.now(zone(time_zone)).replace(tzinfo=None, microsecond=0)


def site_time(at_utc: datetime, time_zone: str) -> datetime:
    """A naive UTC moment in the site's local time.

    >>> site_time(datetime(2024, 7, 1, 8, 0), "Europe/Vienna")
    datetime.datetime(2024, 7, 1, 10, 0)
    """
    return at_utc.replace(tzinfo=UTC).astimezone(zone(time_zone)).replace(tzinfo=None)


def parse(text: str, time_zone: str, *, where: str) -> datetime:
    """A moment from ISO 8601 text; a date without a time is its whole day, so its last microsecond.

    A time with an offset is converted to the site's local time. UserError, naming ``where``, for anything else.

    >>> parse("2024-03-31T08:15", "UTC", where="--as-of")
    datetime.datetime(2024, 3, 31, 8, 15)
    >>> parse("2024-03-31", "UTC", where="--as-of")
    datetime.datetime(2024, 3, 31, 23, 59, 59, 999999)
    >>> parse("2024-07-01T08:00:00+00:00", "Europe/Vienna", where="--as-of")
    datetime.datetime(2024, 7, 1, 10, 0)
    """
    cleaned = text.strip()
    try:
        return datetime.combine(date.fromisoformat(_no_week(cleaned)), time.max)
    except ValueError:
        pass
    try:
        given = datetime.fromisoformat(_no_week(cleaned))
        return given if given.tzinfo is None else given.astimezone(zone(time_zone)).replace(tzinfo=None)
    except (ValueError, OverflowError) as error:
        raise UserError(
            f"`{text}` is no date or time", where=where, do="Write it as 2024-03-31 or 2024-03-31T08:15:00."
        ) from error


def parse_day(text: str, *, where: str) -> date:
    """A day from ISO 8601 text; UserError, naming ``where``, for anything else.

    >>> parse_day("2024-03-31", where="--from")
    datetime.date(2024, 3, 31)
    """
    try:
        return date.fromisoformat(_no_week(text.strip()))
    except ValueError as error:
        raise UserError(f"`{text}` is no day", where=where, do="Write it as 2024-03-31.") from error


def _no_week(text: str) -> str:
    """The text; ValueError for an ISO week, of which no day is named."""
    if "W" in text.upper():
        raise ValueError(text)
    return text
