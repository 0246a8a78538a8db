"""Advice overruled by a person: what is written, what stands when, and what it never does."""

from __future__ import annotations

from datetime import date, datetime

import pandas as pd
import pytest

from analytics.advice.overrules import checked, in_force, read, written
from analytics.errors import UserError

TODAY = date(2024, 3, 1)


def decisions(*rows):
    """Decisions of the kind ``overrule`` from (day of March, value)."""
    table = pd.DataFrame(
        [{"decision_id": n, "decided_at": pd.Timestamp(2024, 3, d), "value": v, "by": "A. Lind", "reason": "why"} for n, (d, v) in enumerate(rows)])
    return list(table.itertuples())


@pytest.mark.parametrize(("rows", "day", "advice"), [
    ([(1, "watch until 2024-03-10")], 10, "watch"), ([(1, "watch until 2024-03-10")], 11, None),
    ([(1, "watch until 2024-03-10"), (2, "retire until 2024-03-20")], 3, "retire"),
    ([(1, "watch until 2024-03-10"), (2, "computed")], 3, None), ([(1, "watch")], 30, "watch"), ([], 3, None),
    ([(1, "whatever")], 3, None)])
def test_the_newest_stands_to_its_last_day_unless_taken_back(rows, day, advice):
    """The newest counts, its last day is a whole day, `computed` takes it back, what cannot be read stands for nothing."""
    found = in_force(decisions(*rows), datetime(2024, 3, day, 23))
    assert (found.advice if found else None) == advice


def test_written_and_read_again():
    """What is written is what is read."""
    wanted = read(written("service", date(2024, 6, 1)))
    assert (wanted.advice, wanted.until) == ("service", date(2024, 6, 1))
    assert read("service until 2024-13-01") is None


@pytest.mark.parametrize(("advice", "until", "word"), [
    ("scrap", TODAY, "no advice `scrap`"), ("watch", None, "needs an end"), ("watch", date(2024, 2, 29), "is past"),
    ("watch", date(2026, 1, 1), "more than a year")])
def test_an_overruling_needs_an_advice_and_an_end_in_reach(advice, until, word):
    """Another word, no end, an end in the past or far ahead: refused, with what to do."""
    with pytest.raises(UserError, match=word):
        checked(advice, until, TODAY)
    assert checked("watch", TODAY, TODAY) == "watch until 2024-03-01"
