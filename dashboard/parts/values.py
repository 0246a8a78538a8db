"""Numbers and times as a person reads them: with unit, to the digits they carry, and a dash where there is none."""

from __future__ import annotations

import math
from datetime import date, datetime, time
from typing import TypeGuard

from analytics.words import likely

DASH = "–"


def number(value: float | None, unit: str = "", *, digits: int = 3, sign: bool = False) -> str:
    """A number to ``digits`` significant digits with its unit, or a dash.

    >>> number(2.3149, "cps/kBq"), number(-3.14159, "%", digits=2, sign=True), number(None, "cps")
    ('2.31 cps/kBq', '−3.1 %', '–')
    >>> print(number(12345.6, "cps"))
    12 346 cps
    """
    if value is None or not math.isfinite(value):
        return DASH
    if value == 0:
        text = "0"
    else:
        places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
        text = f"{abs(value):,.{places}f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
        if value < 0:
            text = f"\N{MINUS SIGN}{text}"
        elif sign:
            text = f"+{text}"
    return f"{text} {unit}" if unit else text


def tenths(value: float | None, unit: str = "") -> str:
    """A change to one decimal with its sign, as it stands in a column under others; or a dash.

    >>> print(tenths(-2.34, "%/year"), tenths(0.0023), tenths(None))
    −2.3 %/year 0.0 –
    """
    if value is None or not math.isfinite(value):
        return DASH
    text = f"{value:+.1f}".replace("-", "\N{MINUS SIGN}")
    text = "0.0" if text[1:] == "0.0" else text
    return f"{text} {unit}" if unit else text


def whole(value: float | None, unit: str = "") -> str:
    """A whole number such as counts, every digit of it, or a dash; up to two decimals where it is none.

    >>> print(whole(13288.0, "counts"), whole(60.0, "s"), whole(7.5, "s"))
    13 288 counts 60 s 7.5 s
    """
    if value is None or not math.isfinite(value):
        return DASH
    text = f"{value:,.0f}" if value == round(value) else f"{value:,.2f}".rstrip("0")
    text = text.replace(",", "\N{NARROW NO-BREAK SPACE}").replace("-", "\N{MINUS SIGN}")
    return f"{text} {unit}" if unit else text


def interval(bounds: tuple[float, float] | None, unit: str = "", *, digits: int = 3) -> str:
    """A 90 % interval, or a dash.

    >>> interval((2.24, 2.28), "cps/kBq")
    '2.24 to 2.28 cps/kBq'
    """
    if bounds is None:
        return DASH
    return f"{number(bounds[0], digits=digits)} to {number(bounds[1], unit, digits=digits)}"


def day(value: date | datetime | None) -> str:
    """A day, site-local, unambiguous the world over.

    >>> day(date(2024, 3, 9)), day(None)
    ('9 Mar 2024', '–')
    """
    if not _known(value):
        return DASH
    return f"{value.day} {_MONTHS[value.month - 1]} {value.year}"


def moment(value: datetime | None) -> str:
    """A day and time, site-local; the last moment of a day is the day as a whole.

    >>> moment(datetime(2024, 3, 9, 7, 5)), moment(datetime.combine(date(2024, 3, 9), time.max))
    ('9 Mar 2024 07:05', '9 Mar 2024')
    """
    if not _known(value):
        return DASH
    whole = isinstance(value, datetime) and value.time() == time.max
    return day(value) if whole else f"{day(value)} {value:%H:%M}"


def ago(then: date | datetime | None, now: datetime) -> str:
    """How long before ``now``, in the unit a person would choose.

    >>> ago(datetime(2024, 3, 1), datetime(2024, 3, 9)), ago(datetime(2023, 3, 1), datetime(2024, 3, 9))
    ('8 days ago', '12 months ago')
    """
    if then is None:
        return DASH
    days = (now.date() - (then.date() if isinstance(then, datetime) else then)).days
    if days < 0:
        return f"in {count(-days, 'day')}"
    if days == 0:
        return "today"
    if days < 60:
        return f"{count(days, 'day')} ago"
    return f"{round(days / 30.44)} months ago" if days < 730 else f"{days / 365.25:.1f} years ago"


def chance(probability: float | None) -> str:
    """A probability in per cent, never rounded to none or to certain.

    >>> chance(0.81), chance(0.9985), chance(0.002), chance(None)
    ('81 %', 'over 99 %', 'under 1 %', '–')
    """
    if probability is None or not math.isfinite(probability):
        return DASH
    return likely(probability)


def count(many: int, one: str, several: str | None = None) -> str:
    """A count with its noun.

    >>> count(1, "probe"), count(3, "probe"), count(2, "day off", "days off")
    ('1 probe', '3 probes', '2 days off')
    """
    return f"{many} {one if many == 1 else several or one + 's'}"


def _known(value: date | None) -> TypeGuard[date]:
    """Whether there is a day at all; pandas' NaT is none."""
    return value is not None and value == value  # noqa: PLR0124 - NaT is the only day unlike itself


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
