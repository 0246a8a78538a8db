"""What is kept for all visitors: made anew where what it is made from is another, and only there."""

from __future__ import annotations

import dataclasses

import pytest
import streamlit as st

from dashboard.seam import keep
from tests.dashboard import made_up


@pytest.fixture
def given():
    """A series with its points, and nothing kept yet."""
    st.cache_resource.clear()
    _, assessment = made_up.fleet(("slow_fall", "healthy"))
    series = next(one for one in assessment.series if one.quantity == "response")
    return series, assessment.points_of(series)


def _made(*given):
    return keep.alike(object, "figure", *given)


def test_it_is_made_once_for_as_long_as_it_is_given_the_same(given):
    """Another copy of the same, also with other numbers for series and checks, as after a check elsewhere, is the same."""
    series, points = given
    first = _made(series, points, [1, None])
    moved = points.assign(series=points["series"] + 3, check=points["check"] + 40)
    assert _made(dataclasses.replace(series, index=series.index + 3), moved, [1, None]) is first


def test_whatever_it_depends_on_makes_it_anew(given):
    """A last digit, a flag, a source, a row, a field of the series, a plain value: each alone is another figure."""
    series, points = given
    last = points.index[-1]
    changed = [
        (series, points.assign(value=points["value"] * (1 + 1e-15))),
        (series, points.assign(flag=points["flag"].astype(object).mask(points.index == last, "excluded").astype("category"))),
        (series, points.assign(source=points["source"].cat.rename_categories(lambda one: one + "x"))),
        (series, points.iloc[:-1]),
        (dataclasses.replace(series, current_pct=1.0), points),
    ]
    made = [_made(series, points, "now"), _made(series, points, "then"), *(_made(*one, "now") for one in changed)]
    assert len(set(map(id, made))) == len(made)
