"""A forecast against what came, case by case."""

from __future__ import annotations

from datetime import date

import pytest

from analytics.replays.judge import day_of, days_of, verdict
from analytics.results import Crossing

BOTH = Crossing(90.0, date(2024, 3, 1), date(2024, 5, 1), date(2024, 8, 1), {})
EARLY = Crossing(90.0, date(2024, 3, 1), None, None, {})
NEWEST = days_of(date(2024, 1, 10))


@pytest.mark.parametrize(("crossing", "passed", "followed", "expected"), [
    (BOTH, date(2024, 5, 20), date(2025, 1, 1), "held"),
    (BOTH, date(2024, 3, 1), date(2025, 1, 1), "held"),
    (BOTH, date(2024, 8, 1), date(2025, 1, 1), "held"),
    (BOTH, date(2024, 2, 29), date(2025, 1, 1), "sooner"),
    (BOTH, date(2024, 8, 2), date(2025, 1, 1), "later"),
    (BOTH, None, date(2024, 8, 2), "later"),
    (BOTH, None, date(2024, 8, 1), "open"),
    (BOTH, None, date(2024, 2, 1), "open"),
    (BOTH, date(2024, 1, 9), date(2025, 1, 1), "already_passed"),
    (EARLY, date(2030, 1, 1), date(2030, 2, 1), "held"),
    (EARLY, date(2024, 2, 1), date(2030, 2, 1), "sooner"),
    (EARLY, None, date(2024, 3, 1), "held"),
    (EARLY, None, date(2024, 2, 29), "open"),
])  # fmt: skip
def test_verdicts(crossing, passed, followed, expected):
    """Both ends belong to the interval; what is not over is open; an early end alone holds once it is over."""
    came = None if passed is None else days_of(passed)
    assert verdict(crossing, NEWEST, came, days_of(followed)) == expected


def test_days_and_numbers_go_together():
    """The day of a day number is that of its noon."""
    assert day_of(days_of(date(2024, 2, 29))) == date(2024, 2, 29)
    assert day_of(0.0) == date(1970, 1, 1)
