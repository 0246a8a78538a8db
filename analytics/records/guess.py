"""A first guess at a column map from the headings and first rows of a file; a person confirms it before it is used."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from analytics.records import wide
from analytics.records.column_map import ColumnMap, DateOrder
from analytics.records.columns import TABLES
from analytics.records.headings import plain
from analytics.records.units import UNITS, own_unit, unit_named

# What columns are called in practice; the contract's own names need no entry.
_CALLED: dict[str, tuple[str, ...]] = {
    "probe": (
        "probe id",
        "probe no",
        "probe number",
        "serial",
        "serial no",
        "serial number",
        "device",
        "device id",
        "sonde",
        "sonden nr",
        "gerät",
        "inventory no",
    ),
    "taken_at": (
        "date",
        "day",
        "tag",
        "datum",
        "time",
        "datetime",
        "date time",
        "timestamp",
        "measured at",
        "measured on",
        "check date",
        "zeit",
        "uhrzeit",
        "zeitpunkt",
        "date/time",
    ),
    "window": ("energy window", "channel", "setting", "isotope setting", "fenster", "energiefenster", "threshold"),
    "measurement": ("type", "kind", "measurement type", "what", "messung", "messart", "art"),
    "counts": ("count", "total counts", "gross counts", "impulse", "ereignisse", "n"),
    "rate_cps": ("rate", "count rate", "cps", "cpm", "displayed rate", "zählrate", "impulsrate"),
    "count_time_s": (
        "time s",
        "count time",
        "counting time",
        "acquisition time",
        "duration",
        "live time",
        "messzeit",
        "messdauer",
        "seconds",
    ),
    "source": ("check source", "source id", "source no", "test source", "quelle", "prüfstrahler", "prüfquelle"),
    "operator": ("user", "by", "measured by", "initials", "technician", "person", "name", "bearbeiter", "prüfer"),
    "jig": ("holder", "geometry", "stand", "halterung", "halter"),
    "readout": ("control unit", "console", "unit", "steuergerät", "anzeigegerät"),
    "temperature_c": ("temperature", "temp", "room temperature", "temperatur"),
    "battery_pct": ("battery", "akku", "batterie"),
    "note": ("notes", "comment", "comments", "remark", "remarks", "bemerkung", "kommentar"),
    "site": ("hospital", "location", "department", "standort", "haus", "clinic"),
    "detector": ("crystal", "detector type", "detector material", "detektor", "kristall"),
    "nuclide": ("isotope", "radionuclide", "nuklid", "radionuklid"),
    "reference_at": (
        "reference date",
        "calibration date",
        "ref date",
        "certificate date",
        "referenzdatum",
        "kalibrierdatum",
        "stichtag",
    ),
    "activity_kbq": ("activity", "nominal activity", "reference activity", "aktivität"),
    "activity_uncertainty_pct": ("uncertainty", "activity uncertainty", "unsicherheit"),
    "centre_kev": ("centre", "center", "peak", "energy", "energie", "mitte"),
    "width_pct": ("width", "window width", "breite"),
    "offset_pct": ("offset",),
    "happened_at": ("event date", "service date", "date"),
    "kind": ("event", "type", "what", "art"),
    "repeat": ("repetition", "no of repeat", "wiederholung"),
}
# What measurements are called where each has a column of its own.
_MEASURED = {
    "background": ("background", "bg", "bkg", "bkgd", "untergrund", "nulleffekt", "hintergrund"),
    "source": ("source", "centre", "center", "peak", "photopeak", "mitte", "quelle", "prüfstrahler"),
    "window_below": ("window_below", "below", "low_window", "lower_window", "unten"),
    "window_above": ("window_above", "above", "high_window", "upper_window", "oben"),
    "side": ("side", "shield", "seite", "abschirmung"),
}
_UNIT = re.compile(r"[\[(/]\s*([^\])]+?)\s*[\])]?\s*$")
_DATE = re.compile(r"^\s*(\d{1,2})[./-](\d{1,2})[./-]\d{4}")


def guess(headings: Sequence[str], first_rows: Sequence[Sequence[str | None]] = ()) -> ColumnMap:
    """The map that seems to fit: kind, headings, units in brackets, order of dates, decimal comma.

    >>> guess(["Serial no.", "Activity (µCi)", "site"]).columns["probe"]
    ('Serial no.',)
    """
    spread = wide.guessed(headings, _MEASURED)
    apart = {one for columns in spread.values() for one in columns.values()} if spread else set()
    named = {heading: _without_unit(heading) for heading in headings if heading not in apart}
    best: tuple[int, str, dict[str, tuple[str, ...]]] = (0, "readings", {})
    for kind, table in TABLES.items():
        if spread and kind != "readings":
            continue
        found = {column: places for column in table.names if (places := _called(column, named))}
        taken: set[str] = set()
        columns: dict[str, tuple[str, ...]] = {}
        for column, places in found.items():
            free = tuple(one for one in places if one not in taken)
            if free:
                columns[column] = (
                    free[:2]
                    if table.column(column).type == "moment" and len(free) > 1 and _is_split(free)
                    else free[:1]
                )
                taken |= set(columns[column])
        needed = sum(table.column(column).required for column in columns)
        score = 3 * needed + len(columns) - 2 * sum(one.required for one in table.columns if one.name not in columns)
        if score > best[0]:
            best = (score, kind, columns)
    _, kind, columns = best
    units = {column: unit for column, places in columns.items() if (unit := _unit(column, places[0]))}
    foreign = {column: places for column, places in columns.items() if plain(places[0]) != column or len(places) > 1}
    writing = _writing(headings, first_rows, kind, columns)
    return ColumnMap(kind, *writing, "", foreign, units, {}, {}, spread)


def _without_unit(heading: str) -> str:
    return plain(_UNIT.sub("", heading).replace(".", " ").replace("#", " "))


def _called(column: str, named: Mapping[str, str]) -> tuple[str, ...]:
    """The headings that go by one of the names of a column, exact ones first."""
    names = [column, *(plain(one) for one in _CALLED.get(column, ()))]
    stems = [*names, *(re.sub(r"_(s|cps|kbq|pct|kev|mm|us|c)$", "", column),)]
    return tuple(
        sorted(
            (heading for heading, short in named.items() if short in stems or plain(heading) in stems),
            key=lambda one: stems.index(named[one] if named[one] in stems else plain(one)),
        )
    )


def _is_split(headings: Sequence[str]) -> bool:
    """Whether date and time stand in two columns."""
    first, second = plain(headings[0]), plain(headings[1])
    return ("dat" in first or first in ("day", "tag")) and ("time" in second or "zeit" in second)


def _unit(column: str, heading: str) -> str | None:
    """The unit in a heading, where it is not the column's own."""
    if column not in UNITS:
        return None
    bare = plain(heading)
    if column == "rate_cps" and bare in ("cpm", "kcps"):
        return bare
    match = _UNIT.search(heading)
    unit = unit_named(column, match.group(1)) if match else None
    return unit if unit is not None and unit != own_unit(column) else None


def _writing(
    headings: Sequence[str],
    rows: Sequence[Sequence[str | None]],
    kind: str,
    columns: Mapping[str, tuple[str, ...]],
) -> tuple[DateOrder, str]:
    """The order of dates (``auto`` where the first rows do not tell) and the decimal sign."""
    table, place = TABLES[kind], {heading: i for i, heading in enumerate(headings)}
    order: DateOrder = "iso"
    decimal = "."
    for column, (heading, *_) in columns.items():
        cells = [row[place[heading]] or "" for row in rows if place[heading] < len(row)]
        if table.column(column).type == "moment" and any(_DATE.match(one) for one in cells):
            parts = [match.groups() for one in cells if (match := _DATE.match(one))]
            first, second = (max(int(one[i]) for one in parts) for i in (0, 1))
            order = "day_first" if first > 12 >= second else "month_first" if second > 12 >= first else "auto"
        if table.column(column).type in ("number", "count") and any(
            re.fullmatch(r"\s*-?\d+,\d+\s*", one) for one in cells
        ):
            decimal = ","
    return order, decimal
