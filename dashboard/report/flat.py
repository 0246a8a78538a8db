"""The one table of a report as CSV: UTF-8 with a byte order mark, commas, CR LF, ISO times, names with units as headings.

A text that a spreadsheet would take for a formula (it begins with =, +, -, @, a tab or a line end) gets an apostrophe
before it. Numbers are numbers, and not touched: a negative one stays as it is. An empty cell is not known.
"""

from __future__ import annotations

import csv
import io
from datetime import date, datetime
from typing import Any

from dashboard.report.model import Report

RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")


def comma_separated(report: Report) -> bytes:
    """The table; a report gives the same bytes each time."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow([one.name for one in report.flat.columns])
    writer.writerows([cell(one) for one in row] for row in report.flat.rows)
    return b"\xef\xbb\xbf" + out.getvalue().encode("utf-8", "replace")


def cell(value: Any) -> str:
    """One cell as text.

    >>> cell("=1+1"), cell("GP-1"), cell(-0.5), cell(None), cell(date(2024, 3, 9)), cell(True)
    ("'=1+1", 'GP-1', '-0.5', '', '2024-03-09', 'yes')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds" if value.microsecond == 0 else "microseconds")
    if isinstance(value, date):
        return value.isoformat()
    text = str(value)
    return f"'{text}" if text.startswith(RISKY) else text
