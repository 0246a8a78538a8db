"""A source that leaks or cannot be found is said to, in the answer and not only in the list of checks."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pandas as pd
import pytest

from analytics.fleet import assess
from analytics.records.snapshot import INSPECTIONS, Records
from tests.baseline.logbook import SHIPPED, START, sound_log


def answer(*rows, day=280.0):
    """Four sound probes on one source, and checks of the source: day, kind, result, and more of the row."""
    table = [
        {"inspection_id": n, "source": "CK-1", "done_at": START + timedelta(days=when), "kind": kind, "result": result} | more
        for n, (when, kind, result, more) in enumerate(rows, 1)
    ]
    records = replace(sound_log(4).records(), inspections=Records.table(INSPECTIONS, pd.DataFrame(table) if table else None))
    return assess(records, SHIPPED, START + timedelta(days=day))


FAILED = (100.0, "leak_test", "fail", {})


@pytest.mark.parametrize(("rows", "advice"), [
    ((), "use"), ((FAILED,), "replace"), ((FAILED, (200.0, "leak_test", "pass", {})), "use"),
    (((50.0, "leak_test", "pass", {}), FAILED), "replace"), ((FAILED, (200.0, "leak_test", None, {})), "replace"),
    (((100.0, "inventory", "fail", {}),), "verify"), ((FAILED, (100.0, "inventory", "fail", {})), "replace"),
    (((100.0, "leak_test", "fail", {"probe": "S-1"}),), "replace"), (((290.0, "leak_test", "fail", {}),), "use"),
])
def test_a_failed_check_of_a_source_stands_until_one_of_its_kind_passes(rows, advice):
    """Leaking: out of use. Not found: to be verified. Passed since, not judged, or later than the moment: as it was before."""
    (source,) = answer(*rows).sources
    assert source.advice == advice
    assert any("leak test of 2022-04-13 failed" in text for text in source.reasons) == (advice == "replace")


def test_probes_are_not_blamed_for_a_source_that_leaks():
    """Their advice is what it was."""
    assert {one.advice for one in answer(FAILED).probes} == {"use"}
