"""What was said at a moment stays so: the states of checks are what would have been answered then."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import settings as tool_settings
from analytics.counting import Responses, count_records
from analytics.counting.columns import Names

_SPEC = importlib.util.spec_from_file_location("counting_records", Path(__file__).with_name("conftest.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
_BUILDER = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_BUILDER)

_START = np.datetime64("2024-02-01T08:00")

_COUNTING = st.fixed_dictionaries({
    "gap_minutes": st.sampled_from([0, 1, 1, 5, 30, 119, 121, 600, 1_440, 12_000]),
    "measurement": st.sampled_from(["source", "source", "background", "side", "window_below", "window_above"]),
    "source": st.sampled_from(["CK-1", "CK-1", "CK-2"]),
    "probe": st.sampled_from(["GP-1", "GP-1", "GP-2"]),
    "jig": st.sampled_from([None, None, "J-1"]),
    "counts": st.integers(0, 30_000),
    "count_time_s": st.sampled_from([10.0, 10.0, 7.3]),
    "reseated": st.booleans(),
})


def _readings(drawn: list[dict[str, object]]) -> list[dict[str, object]]:
    at, out = _START, []
    for number, one in enumerate(drawn, start=1):
        at += np.timedelta64(int(one["gap_minutes"]), "m")  # type: ignore[call-overload]
        row = {key: value for key, value in one.items() if key not in {"gap_minutes", "source"}}
        row |= {"reading_id": number, "taken_at": str(at)}
        if one["measurement"] != "background":
            row["source"] = one["source"]
        out.append(row)
    return out


def _said(points: Responses, names: Names) -> set[tuple[object, ...]]:
    """Every row as plain values, with names for codes."""
    keys = points.keys
    return {
        (
            names.probe[keys.probe[series]], -1 if keys.jig[series] < 0 else names.jig[keys.jig[series]],
            names.source[points.source[row]], str(points.first_at[row]), str(points.check_at[row]),
            int(points.repeats[row]), int(points.placements[row]), int(points.background_kind[row]),
            int(points.flags[row]), float(points.net_cps[row]), float(points.response[row]),
            *(float(np.nan_to_num(one[row], nan=-99.0)) for one in (points.log_response, points.log_var)),
        )
        for row, series in enumerate(points.series)
    }


@settings(deadline=None, max_examples=30)
@given(st.lists(_COUNTING, min_size=1, max_size=25), st.data())
def test_the_states_up_to_a_moment_are_what_was_answered_then(
    drawn: list[dict[str, object]], data: st.DataObject,
) -> None:
    """Cut at any moment: the answer then is, digit by digit, the latest state of every check up to that moment."""
    readings = _readings(drawn)
    force = tool_settings.load()
    whole = count_records(_BUILDER.records_of(readings), force)
    cut = np.datetime64(str(data.draw(st.sampled_from(readings))["taken_at"]), "us")
    early = [one for one in readings if np.datetime64(str(one["taken_at"])) <= cut]
    then = count_records(_BUILDER.records_of(early), force)

    states = whole.response_states
    past = states.rows(states.check_at <= cut)
    latest = {int(check): row for row, check in enumerate(past.check)}
    expected = past.rows(np.array(sorted(latest.values()), np.int64))
    assert _said(then.response, then.names) == _said(expected, whole.names)
    assert len(then.response) == len(latest)


@settings(deadline=None, max_examples=20)
@given(st.lists(_COUNTING, min_size=1, max_size=25))
def test_every_source_counting_is_in_exactly_one_check(drawn: list[dict[str, object]]) -> None:
    """No source counting is lost or counted twice, and every member came at or before its check's moment."""
    readings = _readings(drawn)
    counted = count_records(_BUILDER.records_of(readings), tool_settings.load())
    members = counted.members.astype({"role": str})
    fronts = sorted(members[members["role"] == "source"]["reading_id"])
    assert fronts == sorted(one["reading_id"] for one in readings if one["measurement"] == "source")
    assert counted.response.repeats.sum() == len(fronts)
    at = {one["reading_id"]: np.datetime64(str(one["taken_at"]), "us") for one in readings}
    moment = dict(zip(counted.response.check.tolist(), counted.response.check_at, strict=True))
    for check, reading, role in members[["check", "reading_id", "role"]].itertuples(index=False):
        if check in moment and role in {"source", "background", "borrowed_background"}:
            assert at[reading] <= moment[check]
