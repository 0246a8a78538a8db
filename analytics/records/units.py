"""Units a file may come in, and what one of each is in the unit of the column. A plain table; nothing is inferred."""

from __future__ import annotations

from fractions import Fraction

from analytics.errors import UserError

# Exact by definition: 1 Ci = 3.7e10 Bq (BIPM SI Brochure, 9th edition, table 8 margin; NIST SP 811 appendix B.8).
_ACTIVITY_KBQ = {
    "Bq": Fraction(1, 1000),
    "kBq": Fraction(1),
    "MBq": Fraction(1000),
    "GBq": Fraction(1000_000),
    "nCi": Fraction(37, 1000),
    "µCi": Fraction(37),
    "mCi": Fraction(37_000),
    "Ci": Fraction(37_000_000),
}
_RATE_CPS = {"cps": Fraction(1), "cpm": Fraction(1, 60), "kcps": Fraction(1000), "kcpm": Fraction(1000, 60)}
_TIME_S = {"ms": Fraction(1, 1000), "s": Fraction(1), "min": Fraction(60), "h": Fraction(3600)}
_DEAD_TIME_US = {"ns": Fraction(1, 1000), "µs": Fraction(1), "ms": Fraction(1000)}
_ENERGY_KEV = {"eV": Fraction(1, 1000), "keV": Fraction(1), "MeV": Fraction(1000)}
_LENGTH_MM = {"mm": Fraction(1), "cm": Fraction(10)}
_SHARE_PCT = {"%": Fraction(1), "1": Fraction(100)}
_MINUTES = {"s": Fraction(1, 60), "min": Fraction(1), "h": Fraction(60)}

# column -> unit -> factor to the column's own unit
UNITS: dict[str, dict[str, Fraction]] = {
    "activity_kbq": _ACTIVITY_KBQ,
    "rate_cps": _RATE_CPS,
    "count_time_s": _TIME_S,
    "dead_time_us": _DEAD_TIME_US,
    "centre_kev": _ENERGY_KEV,
    "diameter_mm": _LENGTH_MM,
    "on_minutes": _MINUTES,
    "width_pct": _SHARE_PCT,
    "offset_pct": _SHARE_PCT,
    "activity_uncertainty_pct": _SHARE_PCT,
    "battery_pct": _SHARE_PCT,
}
_SPELLINGS = {
    "uci": "µCi",
    "μci": "µCi",
    "us": "µs",
    "μs": "µs",
    "sec": "s",
    "seconds": "s",
    "minutes": "min",
    "hours": "h",
    "percent": "%",
    "fraction": "1",
}


def unit_named(column: str, name: str) -> str | None:
    """The unit of that name for a column, whatever its spelling; None where the column has no such unit.

    >>> unit_named("activity_kbq", "uCi"), unit_named("rate_cps", "CPM"), unit_named("probe", "s")
    ('µCi', 'cpm', None)
    """
    known = UNITS.get(column, {})
    wanted = name.strip()
    if wanted in known:
        return wanted
    wanted = _SPELLINGS.get(wanted.casefold(), wanted)
    matches = [one for one in known if one.casefold() == wanted.casefold()]
    return matches[0] if len(matches) == 1 else None


def factor(column: str, unit: str) -> Fraction:
    """What one ``unit`` is in the unit of the column.

    Raises:
        UserError: the column has no unit, or not this one.

    >>> factor("activity_kbq", "mCi")
    Fraction(37000, 1)
    """
    name = unit_named(column, unit)
    if name is None:
        choices = ", ".join(UNITS.get(column, {})) or "none: it has no unit to change"
        raise UserError(f"`{unit}` is no unit of `{column}`", where="column map", do=f"Use one of {choices}.")
    return UNITS[column][name]
