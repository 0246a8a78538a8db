"""Which countings belong together, and which of them made a point."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.counting import Counted
from analytics.counting.grouping import CHECK_SPAN_US, check_groups

Count = Callable[..., Counted]


def _source(at: str, counts: float = 20_000, **more: object) -> dict[str, object]:
    return {"taken_at": at, "counts": counts, **more}


def _blank(at: str, counts: float = 30, **more: object) -> dict[str, object]:
    return {"taken_at": at, "counts": counts, "measurement": "background", **more}


@settings(deadline=None)
@given(st.lists(st.integers(0, 40), min_size=1, max_size=30), st.integers(1, 29))
def test_a_later_counting_never_regroups_the_past(gaps_minutes: list[int], cut: int) -> None:
    """The grouping of the first countings is the same whatever comes after, and no check is longer than two hours."""
    time = np.cumsum(np.array(gaps_minutes, np.int64)) * 60_000_000
    at = time.astype("datetime64[us]")
    owner = np.zeros(len(at), np.int64)
    whole = check_groups(owner, at)
    assert check_groups(owner[:cut], at[:cut]).tolist() == whole[:cut].tolist()
    for group in np.unique(whole):
        member = time[whole == group]
        assert member[-1] - member[0] <= CHECK_SPAN_US
    first = np.array([time[whole == group][0] for group in np.unique(whole)])
    assert (np.diff(first) > CHECK_SPAN_US).all()


def test_a_check_is_two_hours_from_its_first_counting(count: Count) -> None:
    """A counting 2 h after the first belongs to the check, one 2 h and a second after it opens the next."""
    at = ["2024-02-01T08:00:00", "2024-02-01T10:00:00", "2024-02-01T10:00:01"]
    assert count([_source(one) for one in at]).response.repeats.tolist() == [2, 1]


def test_probes_and_windows_do_not_mix(count: Count) -> None:
    """Countings of another probe or window at the same moment are other checks."""
    points = count([
        _source("2024-02-01T08:00"), _source("2024-02-01T08:00", window="open"),
        _source("2024-02-01T08:00", probe="GP-2"),
    ]).response
    assert points.repeats.tolist() == [1, 1, 1]
    assert len(points.keys) == 3


def test_two_sources_in_one_session_are_two_points_of_one_series(count: Count) -> None:
    """An old and a new source of one nuclide, read in one session, share series and background: that bridges them."""
    counted = count([
        _blank("2024-02-01T08:00"), _source("2024-02-01T08:01"), _source("2024-02-01T08:02", source="CK-2")])
    points = counted.response
    assert points.series.tolist() == [0, 0]
    assert [counted.names.source[one] for one in points.source] == ["CK-1", "CK-2"]
    assert points.background_counts.tolist() == [30, 30]
    assert len(set(points.check.tolist())) == 2


def test_jig_and_collimator_are_part_of_a_series(count: Count) -> None:
    """The same source in another jig or through another collimator is another series, by name with none first."""
    counted = count([
        _source("2024-02-01T08:00", jig="J-2"), _source("2024-02-01T08:01", jig="J-1"), _source("2024-02-01T08:02"),
        _source("2024-02-01T08:03", jig="J-1", collimator="narrow"),
    ])
    keys = counted.response.keys
    jigs = [None if one < 0 else counted.names.jig[one] for one in keys.jig]
    assert jigs == [None, "J-1", "J-1", "J-2"]
    assert keys.collimator.tolist() == [-1, -1, 0, -1]


def test_reseating_counts_placements(count: Count) -> None:
    """Placements are one more than the reseatings after the first counting."""
    readings = [_source(f"2024-02-01T08:0{i}", reseated=i in {0, 2, 3}) for i in range(5)]
    points = count(readings).response
    assert points.repeats.tolist() == [5]
    assert points.placements.tolist() == [3]


def test_excluded_readings_take_no_part(count: Count) -> None:
    """What a person excluded neither counts nor serves as a background."""
    counted = count([
        _blank("2024-02-01T08:00", 9_000, excluded=True), _source("2024-02-01T08:01"),
        _source("2024-02-01T08:02", 1, excluded=True),
    ])
    assert counted.response.gross_counts.tolist() == [20_000]
    assert counted.response.background_kind.tolist() == [3]
    assert counted.members["reading_id"].tolist() == [2]


def test_the_countings_of_each_point_are_listed_with_their_role(count: Count) -> None:
    """Every point names the readings that made it: own or borrowed background, source, side and offset windows."""
    counted = count([
        _blank("2024-02-01T08:00"), _source("2024-02-01T08:01"),
        {"taken_at": "2024-02-01T08:02", "counts": 9_000, "measurement": "window_below"},
        {"taken_at": "2024-02-01T08:03", "counts": 9_000, "measurement": "window_above"},
        {"taken_at": "2024-02-01T08:04", "counts": 90, "measurement": "side"}, _source("2024-02-03T08:00"),
    ])
    roles = counted.members.astype({"role": str})
    first, second = counted.response.check.tolist()
    assert roles[roles["check"] == first][["reading_id", "role"]].to_numpy().tolist() == [
        [1, "background"], [2, "source"], [3, "window_below"], [4, "window_above"], [5, "side"]]
    assert roles[roles["check"] == second]["role"].tolist() == ["borrowed_background", "source"]
    assert counted.windows.check.tolist() == counted.side.check.tolist() == [first]
    assert roles[roles["check"] == counted.background.check[0]]["role"].tolist() == ["background"]


def test_no_readings_give_empty_tables(count: Count) -> None:
    """An empty store counts to empty tables of the right columns."""
    counted = count([])
    assert [len(one) for one in (counted.response, counted.side, counted.background, counted.windows)] == [0, 0, 0, 0]
    assert counted.members.columns.tolist() == ["check", "reading_id", "role"]


def test_only_backgrounds_give_only_backgrounds(count: Count) -> None:
    """A log of backgrounds alone is charted as such and makes no response of nothing."""
    counted = count([_blank("2024-02-01T08:00"), _blank("2024-02-01T08:01", 50), _blank("2024-02-02T08:00")])
    assert len(counted.response) == 0
    assert counted.background.rate_cps.tolist() == pytest.approx([4.0, 3.0])


def test_the_answer_for_one_probe_does_not_depend_on_the_others(count: Count) -> None:
    """To the last digit: a probe's points are the same with and without other probes' odd counting times."""
    rng = np.random.default_rng(3)
    mine = [
        _source(f"2024-02-{d:02d}T08:00:{s:02d}", float(rng.poisson(9_000)), count_time_s=0.1 + 0.7 * s, probe="GP-2")
        for d in range(1, 20) for s in range(4)]
    others = [
        _source(f"2024-02-{d:02d}T07:00:{s:02d}", float(rng.poisson(5_000)), count_time_s=1.0 / 3.0 + s)
        for d in range(1, 20) for s in range(5)]
    alone, together = count(mine), count(mine + others)
    chosen = together.response.keys.probe[together.response.series] == together.names.probe.index("GP-2")
    for name in ("response", "log_response", "log_var", "age_days", "decay_factor", "gross_time_s"):
        assert getattr(alone.response, name).tolist() == getattr(together.response, name)[chosen].tolist()
