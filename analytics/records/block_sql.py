"""The one statement that turns a block of text cells into checked rows.

Nested selects: t_ the cell, u_ the cell in the contract's own writing, v_ its value, then ``ok``; reasons and cells
are only worked out for the rows that are not.
"""

from __future__ import annotations

from datetime import datetime

from analytics.records import checks, sql
from analytics.records.columns import Column
from analytics.records.headings import Layout
from analytics.records.intake.raw import FAULT, ROW, WHOLE, RawTable, cell_name
from analytics.records.units import factor

BETWEEN, WITHIN = chr(31), chr(30)  # between the problems of a row, and between column, code and value of one
LONGEST_SHOWN = 200


def insert_statement(number: int, raw: RawTable, layout: Layout, order: str, zone: str, now: datetime) -> str:
    """INSERT of the registered table ``block`` into the staging table of its kind, as file ``number``.

    order: of day and month in dates; zone: the site's time zone, for times with an offset; now: later is future.
    """
    table, cmap = layout.table, layout.column_map
    cells = _cells(layout)
    have = [one for one in table.columns if one.name in cells]
    others = {heading: f"o_{i}" for i, heading in enumerate(layout.others)}
    texts = _list(
        [f"{expression} AS t_{name}" for name, expression in cells.items()]
        + [f"{cell_name(place)} AS {others[heading]}" for heading, place in layout.others.items()]
    )
    translated = _list([f"{checks.translated(one, f't_{one.name}', cmap, order)} AS u_{one.name}" for one in have])
    values = _list([f"{checks.value(one, f'u_{one.name}', zone, cmap)} AS v_{one.name}" for one in have])
    until = f"{sql.literal(now.isoformat(sep=' '))}::TIMESTAMP"
    fine = [checks.passes(one, f"u_{one.name}", f"v_{one.name}", until, clean=raw.clean) for one in have]
    across = checks.row_checks(table, {one.name: f"u_{one.name}" for one in have})
    fine += [f"({condition})" for condition, _ in across.values()]
    problems = [
        _problem(one.name, checks.reason(one, f"u_{one.name}", f"v_{one.name}", until), f"t_{one.name}") for one in have
    ]
    problems += [
        _problem(name, f"CASE WHEN NOT ({condition}) THEN {sql.literal(code)} END", "NULL::VARCHAR")
        for name, (condition, code) in across.items()
    ]
    other = [f"{sql.literal(heading)}, {cell}" for heading, cell in others.items()]
    shown = [f"{sql.literal(one.name)}, t_{one.name}" for one in have]
    outcome = [_outcome(one, cells) for one in table.columns]
    outcome += [_rate_step(layout, cells)] if table.kind == "readings" else []
    return (
        f"INSERT INTO {table.kind} SELECT {number}, {ROW}, {_list(outcome)}, {_extra(others, other, cells)},"
        f" CASE WHEN NOT ok THEN CASE WHEN {FAULT} IS NOT NULL THEN {_problem('', FAULT, WHOLE)}"
        f" ELSE concat_ws(chr(31), {_list(problems)}) END END,"
        f" CASE WHEN NOT ok THEN CASE WHEN {FAULT} IS NOT NULL THEN json_object('', {WHOLE})"
        f" ELSE json_merge_patch('{{}}', json_object({_list(shown + other)})) END END"
        f" FROM (SELECT *, {FAULT} IS NULL AND {' AND '.join(fine)} AS ok"
        f" FROM (SELECT *, {values} FROM (SELECT *, {translated} FROM (SELECT {ROW}, {FAULT}, {WHOLE}, {texts} FROM"
        " block))))"
    )


def _list(parts: list[str]) -> str:
    return ", ".join(parts)


def _cells(layout: Layout) -> dict[str, str]:
    """Our columns -> the text of their cells."""
    cells: dict[str, str] = {}
    for name, places in layout.places.items():
        joined = [cell_name(one) for one in places]
        cells[name] = joined[0] if len(joined) == 1 else f"nullif(concat_ws(' ', {_list(joined)}), '')"
    return cells | {name: sql.literal(constant) for name, constant in layout.constants.items()}


def _problem(column: str, code: str, text: str) -> str:
    """Column, code and value in one text where there is a code, else NULL."""
    shown = f"left(translate(coalesce({text}, ''), chr(30) || chr(31), '  '), {LONGEST_SHOWN})"
    return f"CASE WHEN {code} IS NOT NULL THEN {sql.literal(column)} || chr(30) || {code} || chr(30) || {shown} END"


def _extra(others: dict[str, str], other: list[str], cells: dict[str, str]) -> str:
    """The unknown columns of a row as JSON, NULL where all are blank; a rate beside counts is kept there too."""
    filled = [f"{cell} IS NOT NULL" for cell in others.values()]
    if "rate_cps" in cells and "counts" in cells:
        filled.append("(t_rate_cps IS NOT NULL AND t_counts IS NOT NULL)")
        other = [*other, "'rate_cps', CASE WHEN t_counts IS NOT NULL THEN t_rate_cps END"]
    if not filled:
        return "NULL::VARCHAR"
    return f"CASE WHEN {' OR '.join(filled)} THEN json_merge_patch('{{}}', json_object({_list(other)})) END"


def _outcome(column: Column, cells: dict[str, str]) -> str:
    """The checked value of one column in its stored type."""
    name = column.name
    if name not in cells:
        return f"NULL::{checks.stored_type(column)}"
    if name == "rate_cps" and "counts" in cells:
        return "CASE WHEN v_counts IS NULL THEN v_rate_cps END"
    if column.type == "count":
        return f"CASE WHEN v_{name} = floor(v_{name}) AND abs(v_{name}) <= 1e15 THEN v_{name}::BIGINT END"
    return f"v_{name}"


def _rate_step(layout: Layout, cells: dict[str, str]) -> str:
    """What the last digit of a displayed rate is worth in cps; NULL where counts are known."""
    if "rate_cps" not in cells:
        return "NULL::DOUBLE"
    unit = layout.column_map.units.get("rate_cps", "cps")
    scale = factor("rate_cps", unit)
    step = f"{checks.rate_step('u_rate_cps')} * {scale.numerator}.0 / {scale.denominator}.0"
    return f"CASE WHEN v_rate_cps IS NOT NULL{' AND v_counts IS NULL' if 'counts' in cells else ''} THEN {step} END"
