"""Numbers in sentences: as many digits as they deserve, with sign and unit."""

from __future__ import annotations

from datetime import date, datetime, timedelta


def pct(value: float) -> str:
    """A percentage without sign.

    >>> pct(12.34), pct(0.456), pct(0.0), pct(3e9)
    ('12 %', '0.46 %', '0 %', '1,000,000 % and more')
    """
    size = abs(value)
    if size >= 1e6:
        return "1,000,000 % and more"
    if size >= 10:
        return f"{size:.0f} %"
    if size >= 1:
        return f"{size:.1f} %"
    return f"{size:.2g} %" if size else "0 %"


def signed_pct(value: float) -> str:
    """A percentage with its sign; none has none.

    >>> signed_pct(-3.21), signed_pct(0.5), signed_pct(0.0)
    ('−3.2 %', '+0.5 %', '0 %')
    """
    if value == 0:
        return pct(value)
    return ("−" if value < 0 else "+") + pct(value)


def likely(probability: float) -> str:
    """A probability in per cent, never rounded to none or to certain.

    >>> likely(0.81), likely(0.9985), likely(0.002)
    ('81 %', 'over 99 %', 'under 1 %')
    """
    return "under 1 %" if probability < 0.01 else "over 99 %" if probability > 0.99 else pct(100.0 * probability)


def day(days: float) -> str:
    """Days since 1970 as an ISO date.

    >>> day(19000.5)
    '2022-01-08'
    """
    return (date(1970, 1, 1) + timedelta(days=int(days // 1))).isoformat()


def moment(days: float) -> datetime:
    """Days since 1970 as a moment, to the second it was recorded with (rounded to the microsecond)."""
    return datetime(1970, 1, 1) + timedelta(microseconds=round(days * 86_400_000_000))


def money(value: float) -> str:
    r"""An amount in the site's currency, in whole units grouped by no-break spaces.

    >>> money(12345.6), money(89.5)
    ('12\xa0346', '90')
    """
    return f"{value:,.0f}".replace(",", "\N{NO-BREAK SPACE}")
