"""Withdrawn and back."""

from __future__ import annotations

from datetime import datetime

import pytest

from analytics.advice.withdrawn import withdrawn_since
from tests.advice import bench_case as case

OUT, LATER, AS_OF = datetime(2026, 2, 1, 9), datetime(2026, 2, 10, 9), datetime(2026, 3, 1)


def events(*kinds):
    """Events on GP-1: the first when it is withdrawn, the next nine days later."""
    return {"event_id": [*range(1, len(kinds) + 1)], "probe": ["GP-1"] * len(kinds), "happened_at": [OUT, LATER][: len(kinds)],
            "kind": [*kinds]}  # fmt: skip


@pytest.mark.parametrize(
    ("kinds", "gone"),
    [(("withdrawn",), True), (("withdrawn", "cleared"), False), (("withdrawn", "repair"), True),
     (("withdrawn", "detector_replaced"), True), (("repair", "cleared"), False)],
)  # fmt: skip
def test_only_a_clearing_brings_a_withdrawn_probe_back(kinds, gone):
    """A repair or a new detector says nothing of being used again, a clearing does."""
    found = withdrawn_since(case.records(events=events(*kinds)), AS_OF)
    assert found.to_dict() == ({"GP-1": OUT} if gone else {})


def test_a_clearing_decided_on_a_page_counts_like_one_on_record():
    """Somebody clears the probe on its page; before that moment it is still withdrawn."""
    cleared = {"decision_id": [1], "probe": ["GP-1"], "kind": ["cleared"], "decided_at": [LATER], "by": ["A. Lind"]}
    records = case.records(events=events("withdrawn"), decisions=cleared)
    assert withdrawn_since(records, AS_OF).empty
    assert list(withdrawn_since(records, datetime(2026, 2, 5)).index) == ["GP-1"]


def test_what_comes_later_takes_no_part():
    """A withdrawal after the moment asked for is not known then."""
    assert withdrawn_since(case.records(events=events("withdrawn")), datetime(2026, 1, 31)).empty
