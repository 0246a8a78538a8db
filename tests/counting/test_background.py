"""The background of a check: its own, a borrowed one, the running level, or none; never one from the future."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analytics.counting import Counted, Flag
from analytics.counting.tables import BORROWED, GROSS, OWN, RUNNING

Count = Callable[..., Counted]


def _source(at: str, counts: float = 20_000, **more: object) -> dict[str, object]:
    return {"taken_at": at, "counts": counts, **more}


def _blank(at: str, counts: float = 30, **more: object) -> dict[str, object]:
    return {"taken_at": at, "counts": counts, "measurement": "background", **more}


def test_the_background_of_the_same_check_is_used(count: Count) -> None:
    """Its own backgrounds are pooled, one counted after the source included, and complete the check."""
    points = count([
        _blank("2024-02-01T08:00", 20), _source("2024-02-01T08:01"), _blank("2024-02-01T08:10", 60, count_time_s=30.0),
    ]).response
    assert points.background_kind.tolist() == [OWN]
    assert points.background_cps.tolist() == pytest.approx([2.0])
    assert points.background_var_cps2.tolist() == pytest.approx([80 / 40**2])
    assert str(points.check_at[0]) == "2024-02-01T08:10:00.000000"
    assert points.flags.tolist() == [0]


def test_a_background_after_the_source_replaces_the_borrowed_one(count: Count) -> None:
    """Until the check's own background comes in, the last one stands in; both states are kept, the later is final."""
    counted = count([
        _blank("2024-01-31T08:00", 50), _source("2024-02-01T08:01"), _blank("2024-02-01T08:10", 20)])
    states = counted.response_states
    assert states.background_kind.tolist() == [BORROWED, OWN]
    assert states.check_at.astype(str).tolist() == ["2024-02-01T08:01:00.000000", "2024-02-01T08:10:00.000000"]
    assert counted.response.net_cps.tolist() == [states.net_cps[1]]


def test_the_last_background_within_seven_days_is_borrowed_and_said_so(count: Count) -> None:
    """Seven days to the second are still near; a second more and the running level is used."""
    points = count([
        _blank("2024-02-01T08:00:00"), _source("2024-02-08T08:00:00"), _source("2024-02-08T11:00:00")]).response
    assert points.background_kind.tolist() == [BORROWED, RUNNING]
    assert points.flags.tolist() == [Flag.BORROWED_BACKGROUND, Flag.RUNNING_BACKGROUND]


def test_the_running_level_is_the_median_with_the_spread_of_single_backgrounds(count: Count) -> None:
    """One contaminated background among the last ten moves the level little, and the variance carries the spread."""
    levels = [30, 31, 29, 33, 27, 30, 32, 28, 300, 30, 31]
    readings = [_blank(f"2024-02-{day:02d}T08:00", level) for day, level in enumerate(levels, start=1)]
    points = count([*readings, _source("2024-03-20T08:00")]).response
    used = np.array(levels[-10:]) / 10
    assert points.background_cps.tolist() == pytest.approx([np.median(used)])
    assert points.background_var_cps2.tolist() == pytest.approx([used.var(ddof=1) * 1.1])
    assert np.isnan(points.background_counts).all()


def test_a_single_old_background_is_given_room(count: Count) -> None:
    """From a single background, older than a week, the variance is the counting's and a 20 % spread, doubled."""
    points = count([_blank("2024-02-01T08:00"), _source("2024-03-20T08:00")]).response
    assert points.background_cps.tolist() == pytest.approx([3.0])
    assert points.background_var_cps2.tolist() == pytest.approx([2 * (0.3 + 0.6**2)])


def test_without_any_background_the_response_is_gross_and_says_so(count: Count) -> None:
    """No background of this probe and window ever: nothing is taken off, and the flag says so."""
    points = count([
        _source("2024-02-01T08:00"), _blank("2024-02-01T08:00", window="open"),
        _blank("2024-02-01T08:00", probe="GP-2"),
    ]).response
    assert points.background_kind.tolist() == [GROSS]
    assert points.net_cps.tolist() == [2_000]
    assert points.flags.tolist() == [Flag.GROSS]


def test_a_later_background_never_reaches_back(count: Count) -> None:
    """A background of another check counts from its own moment on and changes no earlier point."""
    early = [_source("2024-02-01T08:00"), _source("2024-02-02T08:00")]
    before = count(early).response
    after = count([*early, _blank("2024-02-02T13:00")]).response
    assert after.background_kind.tolist() == before.background_kind.tolist() == [GROSS, GROSS]
    assert after.response.tolist() == before.response.tolist()


def test_a_background_of_no_counts_is_not_certain(count: Count) -> None:
    """Zero background counts carry the variance of one count, so nothing claims to be free of background for sure."""
    points = count([_blank("2024-02-01T08:00", 0), _source("2024-02-01T08:01")]).response
    assert points.background_cps.tolist() == [0.0]
    assert points.background_var_cps2.tolist() == pytest.approx([0.01])
