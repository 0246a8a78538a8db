"""Checks a person hid are shown as what they would have been, on real records and the real analysis."""

from __future__ import annotations

import dataclasses
from datetime import timedelta

import numpy as np
import pytest

from analytics.fleet import assess
from analytics.settings import load
from analytics.simulate import to_records
from dashboard.seam.hidden import with_hidden
from tests.dashboard import real_store


@pytest.fixture(scope="module")
def whole():
    """Records with nothing hidden, their answer, and the response series of a sound probe with its points."""
    records = to_records(real_store.fleet())
    as_of = (records.readings["taken_at"].max() + timedelta(hours=1)).to_pydatetime()
    assessment = assess(records, load(), as_of)
    series = assessment.series_of(real_store.SOUND, "response")[0]
    return records, assessment, series, assessment.points_of(series)


def _hide(records, assessment, check):
    ids = assessment.countings.loc[assessment.countings["check"] == check, "reading_id"]
    return dataclasses.replace(
        records, readings=records.readings.assign(excluded=records.readings["reading_id"].isin(ids))
    )


def test_nothing_hidden_adds_nothing(whole):
    """Where no one excluded anything, the points are returned as they are."""
    records, assessment, series, points = whole
    assert with_hidden(records, load(), series, points, assessment.as_of) is points


def test_a_hidden_check_comes_back_with_the_value_it_had(whole):
    """Excluding a check takes it out of the answer; the chart's points still hold it, flagged, at its former value."""
    records, assessment, _, points = whole
    gone = points.iloc[len(points) // 2]
    fewer = _hide(records, assessment, gone["check"])
    answer = assess(fewer, load(), assessment.as_of)
    series = answer.series_of(real_store.SOUND, "response")[0]
    left = answer.points_of(series)
    assert gone["check_at"] not in set(left["check_at"])
    shown = with_hidden(fewer, load(), series, left, assessment.as_of)
    assert len(shown) == len(left) + 1
    back = shown[shown["flag"] == "excluded"].iloc[0]
    assert back["check_at"] == gone["check_at"]
    assert back["value"] == pytest.approx(gone["value"], rel=1e-9)
    assert back["source"] == gone["source"]
    assert np.isnan(back["z"])
    assert shown["check_at"].is_monotonic_increasing


def test_a_check_hidden_later_than_asked_stays_out(whole):
    """As of a day before the hidden check there is nothing to show of it."""
    records, assessment, series, points = whole
    last = points.iloc[-1]
    fewer = _hide(records, assessment, last["check"])
    earlier = points[points["check_at"] < last["check_at"]]
    shown = with_hidden(fewer, load(), series, earlier, (last["check_at"] - timedelta(days=1)).to_pydatetime())
    assert "excluded" not in set(shown["flag"])
