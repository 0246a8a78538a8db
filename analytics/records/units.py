"""Units a file may come in, and what one of each is in the unit of the column: worked out by pint, exactly, as fractions.

What a page offers is a plain list; any other writing of the same units (``millicurie``, ``counts per minute``) is
understood too. pint takes half a second to import, so it comes in only where a map names a unit.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import cache
from typing import Any

from analytics.errors import UserError

_ACTIVITY = ("Bq", "kBq", "MBq", "GBq", "nCi", "µCi", "mCi", "Ci")
_RATE = ("cps", "cpm", "kcps", "kcpm")
_TIME = ("ms", "s", "min", "h")
_DEAD_TIME = ("ns", "µs", "ms")
_ENERGY = ("eV", "keV", "MeV")
_LENGTH = ("mm", "cm")
_MINUTES = ("s", "min", "h")
_SHARE = ("%", "1")

# column -> its own unit, and those that a page offers for it
UNITS: dict[str, tuple[str, tuple[str, ...]]] = {
    "activity_kbq": ("kBq", _ACTIVITY),
    "rate_cps": ("cps", _RATE),
    "count_time_s": ("s", _TIME),
    "dead_time_us": ("µs", _DEAD_TIME),
    "centre_kev": ("keV", _ENERGY),
    "diameter_mm": ("mm", _LENGTH),
    "on_minutes": ("min", _MINUTES),
    "width_pct": ("%", _SHARE),
    "offset_pct": ("%", _SHARE),
    "activity_uncertainty_pct": ("%", _SHARE),
    "battery_pct": ("%", _SHARE),
}
_SPELLINGS = {"uci": "µCi", "μci": "µCi", "us": "µs", "μs": "µs", "sec": "s", "seconds": "s", "minutes": "min", "hours": "h",
              "percent": "%", "fraction": "1"}  # fmt: skip
_WORDS = re.compile(r"[A-Za-zµμ]{1,20}( ?(/|per) ?[A-Za-z]{1,20})?")  # no powers: they may be made to take for ever


def own_unit(column: str) -> str | None:
    """The unit a column is kept in; None where it has none.

    >>> own_unit("activity_kbq"), own_unit("probe")
    ('kBq', None)
    """
    return UNITS[column][0] if column in UNITS else None


def unit_named(column: str, name: str) -> str | None:
    """The unit of that name for a column, whatever its spelling; None where the column has no such unit.

    >>> unit_named("activity_kbq", "uCi"), unit_named("rate_cps", "CPM"), unit_named("probe", "s")
    ('µCi', 'cpm', None)
    >>> unit_named("count_time_s", "minutes"), unit_named("rate_cps", "count per hour"), unit_named("rate_cps", "becquerel")
    ('min', 'count per hour', None)
    """
    if column not in UNITS:
        return None
    known = UNITS[column][1]
    wanted = name.strip()
    if wanted in known:
        return wanted
    spelled = _SPELLINGS.get(wanted.casefold(), wanted)
    matches = [one for one in known if one.casefold() == spelled.casefold()]
    if len(matches) == 1:
        return matches[0]
    return wanted if _WORDS.fullmatch(wanted) and _same_kind(column, wanted) else None


def factor(column: str, unit: str) -> Fraction:
    """What one ``unit`` is in the unit of the column; exact, since 1 Ci is 3.7e10 Bq by definition.

    Raises:
        UserError: the column has no unit, or not this one.

    >>> factor("activity_kbq", "mCi"), factor("rate_cps", "counts per minute")
    (Fraction(37000, 1), Fraction(1, 60))
    """
    name = unit_named(column, unit)
    if name is None:
        choices = ", ".join(UNITS[column][1]) if column in UNITS else "none: it has no unit to change"
        raise UserError(f"`{unit}` is no unit of `{column}`", where="column map", do=f"Use one of {choices}.")
    own = UNITS[column][0]
    return Fraction(_registry().Quantity(Fraction(1), _written(name)).to(_written(own)).magnitude)


@cache
def _registry() -> Any:
    import pint

    made: Any = pint.UnitRegistry(non_int_type=Fraction)
    made.define("cpm = count / minute")
    return made


def _written(name: str) -> str:
    """A name as the library writes it."""
    return "dimensionless" if name == "1" else re.sub(r" ?per ", " / ", name)


def _parts(name: str) -> frozenset[str]:
    """The units a name is made of, without their prefixes; counts a minute and counts a second are of one kind."""
    unit = _registry().Unit(_written(name))
    roots = {_registry().parse_unit_name(one)[0][1] for one in unit._units}  # noqa: SLF001 - there is no other way in
    return frozenset(roots)


def _same_kind(column: str, name: str) -> bool:
    """Whether a name is a unit made of what the column's own units are made of (becquerel and counts a second are not)."""
    import pint

    try:
        allowed = frozenset[str]().union(*(_parts(one) for one in UNITS[column][1]), _EXTRA.get(UNITS[column][0], ()))
        fits = _parts(name) <= allowed
        return fits and bool(_registry().Unit(_written(name)).is_compatible_with(_registry().Unit(_written(UNITS[column][0]))))
    except (pint.PintError, ValueError, AttributeError, TypeError):
        return False


_EXTRA = {"cps": ("count", "second", "minute", "hour"), "s": ("day",), "min": ("day",)}
