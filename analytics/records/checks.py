"""The checks of a row, as SQL over a whole block: for each column its value, and a reason code where it has none.

Only a row that fails somewhere is looked at one by one (its cells are kept as they stood, its reasons put in words).
Every expression works on the text of a cell without blanks around it; blank is NULL.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from analytics.records.column_map import ColumnMap
from analytics.records.columns import Column, Table
from analytics.records.sql import literal
from analytics.records.units import factor

LONGEST_ID = 200
LONGEST_TEXT = 10_000
EARLIEST = datetime(1950, 1, 1)
_YES = ("yes", "y", "true", "1", "ja", "oui", "x")
_NO = ("no", "n", "false", "0", "nein", "non")
_NAIVE = r"\d{4}-\d{1,2}-\d{1,2}([ T]\d{1,2}:\d{2}(:\d{2}([.]\d+)?)?)?"
_OFFSET = r"\d{4}-\d{1,2}-\d{1,2}[ T]\d{1,2}:\d{2}(:\d{2}([.]\d+)?)? ?([Zz]|[+-]\d{2}(:?\d{2})?)"
_UNREADABLE = {"text": r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x{FFFD}]", "id": r"[\x00-\x1f\x7f\x{FFFD}]"}


def translated(column: Column, text: str, column_map: ColumnMap, order: str) -> str:
    """The cell's text in the contract's own writing: dates year first, decimal points, our words."""
    words = column_map.words.get(column.name)
    if words:
        cases = " ".join(
            f"WHEN {literal(theirs.strip().casefold())} THEN {literal(ours)}" for theirs, ours in words.items()
        )
        text = f"CASE lower({text}) {cases} ELSE {text} END"
    if column.type == "moment" and order in ("day_first", "month_first"):
        day, month = (1, 2) if order == "day_first" else (2, 1)
        pattern = literal(r"^(\d{1,2})[./-](\d{1,2})[./-](\d{4})")
        text = f"regexp_replace({text}, {pattern}, '\\3-\\{month}-\\{day}')"
    if column.type in ("count", "number"):
        text = _plain_number(text, column_map)
    return text


def _plain_number(text: str, column_map: ColumnMap) -> str:
    """A number with a decimal point and no thousands sign; with other signs than the map's, no number at all."""
    sign, decimal = column_map.thousands, column_map.decimal
    plain = text
    if decimal == ",":
        # a point in a file of decimal commas is not read as one: it may be a thousands sign
        plain = f"replace(replace({text}, '.', '_'), ',', '.')"
    if not sign:
        return plain
    grouped = rf"[-+]?\d{{1,3}}([{sign}]\d{{3}})*([{decimal}]\d+)?"
    bare = f"replace(replace({text}, {literal(sign)}, ''), {literal(decimal)}, '.')"
    return (
        f"CASE WHEN NOT contains({text}, {literal(sign)}) THEN {plain}"
        f" WHEN regexp_full_match({text}, {literal(grouped)}) THEN {bare} ELSE '_' END"
    )


def value(column: Column, text: str, zone: str, column_map: ColumnMap) -> str:
    """The value of a cell from its translated text; NULL where it is blank or cannot be read."""
    if column.type == "moment":
        plain = f"length({text}) IN (10, 16, 19) AND NOT regexp_matches(substr({text}, 11), '[-+Zz]')"
        return (
            f"CASE WHEN {plain} THEN TRY_CAST({text} AS TIMESTAMP)"
            f" WHEN regexp_full_match({text}, {literal(_NAIVE)}) THEN TRY_CAST({text} AS TIMESTAMP)"
            f" WHEN regexp_full_match({text}, {literal(_OFFSET)})"
            f" THEN timezone({literal(zone)}, TRY_CAST(upper({text}) AS TIMESTAMPTZ)) END"
        )
    if column.type in ("count", "number"):
        scale = factor(column.name, column_map.units[column.name]) if column.name in column_map.units else None
        scaled = "" if scale is None else f" * {scale.numerator}.0 / {scale.denominator}.0"
        return f"CASE WHEN NOT contains({text}, '_') THEN TRY_CAST({text} AS DOUBLE){scaled} END"
    if column.type == "choice":
        return f"CASE WHEN lower({text}) IN ({', '.join(map(literal, column.choices))}) THEN lower({text}) END"
    if column.type == "flag":
        yes, no = (", ".join(map(literal, words)) for words in (_YES, _NO))
        return f"CASE WHEN lower({text}) IN ({yes}) THEN true WHEN lower({text}) IN ({no}) THEN false END"
    return text


def stored_type(column: Column) -> str:
    """The type a checked value is kept with."""
    return {"moment": "TIMESTAMP", "count": "BIGINT", "number": "DOUBLE", "flag": "BOOLEAN"}.get(column.type, "VARCHAR")


def passes(column: Column, text: str, v: str, now: str, *, clean: bool) -> str:
    """A quick yes or no for a cell; ``reason`` says why not."""
    if column.type == "moment":
        fine = f"isfinite({v}) AND {v} >= {literal(str(EARLIEST))}::TIMESTAMP" + (
            f" AND {v} <= {now}" if column.past else ""
        )
    elif column.type in ("count", "number"):
        fine = " AND ".join(
            [f"isfinite({v})", *_bounds(column, v), *([f"{v} = floor({v})"] if column.type == "count" else [])]
        )
    elif column.type in ("choice", "flag"):
        fine = f"{v} IS NOT NULL"
    else:
        fine = f"strlen({text}) <= {LONGEST_TEXT if column.type == 'text' else LONGEST_ID}"
        if not clean:
            fine += f" AND NOT {_unreadable(column, text)}"
    blank = "false" if column.required else "true"
    return f"CASE WHEN {text} IS NULL THEN {blank} ELSE coalesce({fine}, false) END"


def _unreadable(column: Column, text: str) -> str:
    return f"regexp_matches({text}, {literal(_UNREADABLE[column.type])})"


def _bounds(column: Column, v: str) -> list[str]:
    signs = ((">=", column.low), (">", column.above), ("<=", column.high))
    return [f"{v} {sign} {bound!r}" for sign, bound in signs if bound is not None]


def reason(column: Column, text: str, v: str, now: str) -> str:
    """The reason code of a cell that does not pass, NULL for one that does."""
    cases = [f"WHEN {text} IS NULL THEN {literal('missing_value') if column.required else 'NULL'}"]
    if column.type == "moment":
        cases += [
            f"WHEN {v} IS NULL OR NOT isfinite({v}) THEN 'not_a_time'",
            f"WHEN {v} < {literal(str(EARLIEST))}::TIMESTAMP THEN 'too_early'",
        ]
        cases += [f"WHEN {v} > {now} THEN 'in_future'"] if column.past else []
    elif column.type in ("count", "number"):
        cases += [f"WHEN {v} IS NULL THEN 'not_a_number'", f"WHEN NOT isfinite({v}) THEN 'not_finite'"]
        if column.name == "count_time_s":
            cases.append(f"WHEN {v} = 0 THEN 'zero_time'")
        if 0 in (column.low, column.above):
            cases.append(f"WHEN {v} < 0 THEN 'negative'")
        if column.type == "count":
            cases.append(f"WHEN {v} <> floor({v}) THEN 'fractional'")
        bounds = " AND ".join(_bounds(column, v))
        cases += [f"WHEN NOT ({bounds}) THEN 'out_of_range'"] if bounds else []
    elif column.type in ("choice", "flag"):
        cases.append(f"WHEN {v} IS NULL THEN '{'not_one_of' if column.type == 'choice' else 'not_yes_no'}'")
    else:
        cases += [
            f"WHEN strlen({text}) > {LONGEST_TEXT if column.type == 'text' else LONGEST_ID} THEN 'too_long'",
            f"WHEN {_unreadable(column, text)} THEN 'unreadable_text'",
        ]
    return f"CASE {' '.join(cases)} END"


def row_checks(table: Table, have: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Checks over several cells of a row: column to blame -> (condition that must hold, reason code).

    have: column -> its trimmed text (or NULL).
    """
    blank = {name: have.get(name, "NULL::VARCHAR") + " IS NULL" for name in table.names}
    if table.kind == "readings":
        measured = f"lower({have['measurement']})" if "measurement" in have else "'source'"
        return {
            "counts": (f"NOT ({blank['counts']} AND {blank['rate_cps']})", "missing_value"),
            "source": (
                f"NOT ({blank['source']}) OR coalesce({measured}, 'background') = 'background'",
                "missing_value",
            ),
        }
    if table.kind == "inspections":
        return {"probe": (f"NOT ({blank['probe']} AND {blank['source']})", "needs_probe_or_source")}
    return {}


def rate_step(text: str) -> str:
    """What one step of the last digit of a written number is worth.

    ``231.5`` gives 0.1, ``230`` gives 1, ``2.31e2`` gives 1.
    """
    mantissa = f"split_part(lower({text}), 'e', 1)"  # CSV of other programs may hold exponents
    exponent = f"coalesce(TRY_CAST(nullif(split_part(lower({text}), 'e', 2), '') AS INTEGER), 0)"
    return f"pow(10.0, {exponent} - length(split_part({mantissa}, '.', 2)))"
