"""The report as a workbook: a sheet with what it was made from and one for each table, every text a text.

A text that looks like a formula stays a text: cells are written by their kind, never by what they look like. Missing
values are empty cells. Numbers are those of the answer, with ten significant digits.
"""

from __future__ import annotations

import io
from datetime import date, datetime
from typing import Any

from dashboard.report.model import Column, Report, Table
from dashboard.report.words import CAUTION, CHAIN

MOST_ROWS = 1_048_575  # of a sheet, its heading aside
MOST_TEXT = 32_767  # characters of a cell


def workbook(report: Report) -> bytes:
    """The workbook; the same report gives the same cells."""
    import xlsxwriter

    out = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(out, options)
    book.set_properties({"title": f"{report.title}: {report.subject}", "author": report.by, "created": report.made_at})
    styles = {
        "head": book.add_format({"bold": True, "bg_color": "#eef1f2", "text_wrap": True, "valign": "top"}),
        "title": book.add_format({"bold": True, "font_size": 14}),
        "day": book.add_format({"num_format": "yyyy-mm-dd", "align": "left"}),
        "moment": book.add_format({"num_format": "yyyy-mm-dd hh:mm", "align": "left"}),
        "plain": book.add_format({"valign": "top"}),
    }
    _summary(book.add_worksheet("Summary"), report, styles)
    taken = {"summary"}
    for table in report.tables:
        name = _name(table.key, taken)
        _sheet(book.add_worksheet(name), table, styles)
    book.close()
    return out.getvalue()


def _name(wanted: str, taken: set[str]) -> str:
    """A sheet's name: at most 31 characters, none that is forbidden, none twice."""
    plain = "".join("-" if one in "[]:*?/\\'" else one for one in wanted)[:28] or "Table"
    name, number = plain, 2
    while name.lower() in taken:
        name, number = f"{plain} {number}", number + 1
    taken.add(name.lower())
    return name


def _summary(sheet: Any, report: Report, styles: dict[str, Any]) -> None:
    sheet.set_column(0, 0, 36)
    sheet.set_column(1, 1, 100)
    sheet.write_string(0, 0, report.title, styles["title"])
    sheet.write_string(1, 0, report.subject)
    row = 3
    for term, value in report.facts:
        sheet.write_string(row, 0, term)
        sheet.write_string(row, 1, _text(value))
        row += 1
    for section in report.sections:
        if not section.facts and not section.sentences:
            continue
        row += 1
        sheet.write_string(row, 0, section.title, styles["head"])
        for term, value in [*(("", one) for one in section.sentences), *section.facts]:
            row += 1
            sheet.write_string(row, 0, _text(term))
            sheet.write_string(row, 1, _text(value))
        row += 1
    row += 1
    sheet.write_string(row, 0, "Cautions", styles["head"])
    for term, value in [("", CAUTION), *report.cautions, ("", CHAIN)]:
        row += 1
        sheet.write_string(row, 0, _text(term))
        sheet.write_string(row, 1, _text(value))


def _sheet(sheet: Any, table: Table, styles: dict[str, Any]) -> None:
    sheet.freeze_panes(1, 1)
    for place, column in enumerate(table.columns):
        sheet.write_string(0, place, column.name, styles["head"])
        sheet.set_column(place, place, _width(column, table, place))
    if not table.rows:
        sheet.write_string(1, 0, table.empty)
    else:
        sheet.autofilter(0, 0, min(len(table.rows), MOST_ROWS), len(table.columns) - 1)
    for number, row in enumerate(table.rows[:MOST_ROWS], 1):
        for place, value in enumerate(row):
            _cell(sheet, number, place, value, styles)


def _width(column: Column, table: Table, place: int) -> float:
    if column.kind in ("day", "moment"):
        return 17
    longest = max((len(str(row[place])) for row in table.rows[:200] if row[place] is not None), default=0)
    return min(max(len(column.name) + 3, longest + 1), 60)


def _cell(sheet: Any, row: int, place: int, value: Any, styles: dict[str, Any]) -> None:
    if value is None:
        return
    if isinstance(value, bool):
        sheet.write_string(row, place, "yes" if value else "no")
    elif isinstance(value, (int, float)):
        sheet.write_number(row, place, value)
    elif isinstance(value, date) and value.year >= 1900:
        style = styles["moment"] if isinstance(value, datetime) else styles["day"]
        sheet.write_datetime(row, place, value, style)
    else:
        sheet.write_string(row, place, _text(str(value)), styles["plain"])


def _text(value: str) -> str:
    return value if len(value) <= MOST_TEXT else value[: MOST_TEXT - 1] + "…"
