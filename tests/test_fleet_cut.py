"""The records as they stood at a moment."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pandas as pd
import pytest

from analytics.cut import cut
from analytics.records.snapshot import INSPECTIONS, OUTCOMES, USES, Records
from tests.baseline.logbook import START, sound_log

NOON = START + timedelta(days=100)


@pytest.fixture
def records():
    """Forty weeks with an event, a decision, an inspection, a use and an outcome at noon and a second later."""
    log = sound_log(2)
    for day in (100.0, 100.0 + 1 / 86400):
        log.event("S-1", day, "cleaned").decide("S-1", day, "seen")
    log.sources[0]["withdrawn_on"] = NOON + timedelta(days=1)
    moments = [NOON, NOON + timedelta(seconds=1)]
    table = Records.table
    return replace(
        log.records(),
        inspections=table(INSPECTIONS, {"inspection_id": [1, 2], "probe": ["S-1"] * 2, "done_at": moments}),
        uses=table(USES, {"probe": ["S-1"] * 2, "used_at": moments}),
        outcomes=table(OUTCOMES, {"probe": ["S-1"] * 2, "found_at": moments}))


def test_the_moment_itself_counts_and_a_second_later_does_not(records):
    """Every dated table keeps what is dated at or before the moment."""
    known = cut(records, NOON)
    assert known.readings["taken_at"].max() <= pd.Timestamp(NOON)
    assert len(known.readings) < len(records.readings)
    for name in ("events", "decisions", "inspections", "uses", "outcomes"):
        assert len(getattr(known, name)) == 1, name


def test_a_withdrawal_to_come_has_not_happened(records):
    """A source withdrawn tomorrow is not withdrawn today, and is the day after."""
    assert cut(records, NOON)
    assert pd.isna(cut(records, NOON).sources["withdrawn_on"]).all()
    assert cut(records, NOON + timedelta(days=2)).sources["withdrawn_on"].notna().all()


def test_the_records_given_are_left_as_they_were(records):
    """Cutting changes nothing in place, and cutting twice cuts no more."""
    before = records.sources["withdrawn_on"].copy()
    once = cut(records, NOON)
    assert records.sources["withdrawn_on"].equals(before)
    assert cut(once, NOON).readings.equals(once.readings)


def test_before_anything_there_is_nothing(records):
    """A moment before the first record leaves the registers and nothing else."""
    early = cut(records, START - timedelta(days=1))
    assert len(early.readings) == len(early.events) == 0
    assert len(early.probes) == 2
