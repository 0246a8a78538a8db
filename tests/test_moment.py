"""What is no moment is said to be none, and is never another one."""

from __future__ import annotations

from datetime import datetime

import pytest

from analytics.errors import UserError
from analytics.moment import parse, parse_day


@pytest.mark.parametrize("text", ["2024-W12", "2024-W12-3", "2024-W12-3T08:00", "9999-12-31T23:59:59-10:00", "0001-01-01T00:00+10:00", "", "2024-13-01"])
def test_what_is_no_moment_is_refused(text):
    """A week names no day, and an offset at either end of the calendar leads out of it: one line, and no error of the tool."""
    with pytest.raises(UserError, match="no date or time"):
        parse(text, "Europe/Vienna", where="--as-of")


def test_what_is_a_moment_is_taken():
    """With blanks about it, without separators, with an offset."""
    for text in (" 2024-03-31 08:15 ", "20240331T081500", "2024-03-31T06:15:00Z"):
        assert parse(text, "Europe/Vienna", where="--as-of") == datetime(2024, 3, 31, 8, 15)
    with pytest.raises(UserError, match="no day"):
        parse_day("2024-W12", where="--from")
