"""Measured sensitivity against the floor, failed inspections, and limits too narrow for the counts."""

from __future__ import annotations

import math
from datetime import datetime

import pandas as pd
import pytest

from analytics.advice.fitness import fitness
from analytics.advice.watchable import unwatchable
from analytics.named_rows import named_rows
from analytics.records.snapshot import INSPECTIONS, Records

DAY = datetime(2024, 3, 1)


def inspections(*rows):
    """Inspections of one probe from dicts."""
    table = [{"probe": "P", "done_at": DAY, "kind": "sensitivity", "unit": "cps/kBq", "nuclide": "Tc-99m"} | row for row in rows]
    return list(named_rows(Records.table(INSPECTIONS, pd.DataFrame(table) if table else None)))


def test_below_the_floor():
    """3.2 measured, 4 wanted: 0.8 of the floor, and both numbers are said."""
    found = fitness(inspections({"value": 3.2}), 4.0, "Tc-99m", None)
    assert found.over_floor == pytest.approx(0.8)
    assert "3.2 cps/kBq" in found.sentences[0]
    assert "below the fitness floor of 4 cps/kBq" in found.sentences[0]


def test_units_are_brought_together():
    """5000 cps/MBq are 5 cps/kBq; 185 cps/µCi as well, whichever of the two signs for micro is typed."""
    for value, unit in ((5000.0, "cps/MBq"), (185.0, "cps/µCi"), (185.0, "cps/\N{GREEK SMALL LETTER MU}Ci")):
        assert fitness(inspections({"value": value, "unit": unit}), 4.0, "Tc-99m", None).over_floor == pytest.approx(1.25)


@pytest.mark.parametrize("written", ["Tc99m", "99mTc", "tc-99m", " Tc-99m "])
def test_a_nuclide_is_the_same_however_it_is_written(written):
    """Written as a log book has it, it is held against the floor."""
    assert fitness(inspections({"value": 5.0, "nuclide": written}), 4.0, "Tc-99m", None).over_floor == pytest.approx(1.25)


NOT_TAKEN = [
    ({"value": 3.0, "nuclide": "Co-57"}, "measured with Co-57"), ({"value": 3.0, "nuclide": None}, "no nuclide"),
    ({"value": 3.0, "unit": "cpm"}, "'cpm'"), ({"value": 3.0, "unit": None}, "none"), ({"value": None}, "No sensitivity with Tc-99m"),
]


@pytest.mark.parametrize(("row", "word"), NOT_TAKEN)
def test_what_is_no_clinical_sensitivity_is_not_held_against_the_floor(row, word):
    """Another nuclide, no nuclide, another unit, no value: no ratio, and why."""
    found = fitness(inspections(row), 4.0, "Tc-99m", None)
    assert found.over_floor is None
    assert word in " ".join(found.sentences)
    assert "no substitute" in found.sentences[-1]


def test_a_measurement_from_before_the_last_service_says_nothing_now():
    """Measured in March, repaired in May: measure again."""
    found = fitness(inspections({"value": 3.0}), 4.0, "Tc-99m", pd.Timestamp("2024-05-01"))
    assert found.over_floor is None
    assert "before the last service" in found.sentences[0]


def test_without_a_floor_nothing_is_said_of_sensitivity():
    """None unless the site sets it."""
    assert fitness(inspections({"value": 3.0}), None, "Tc-99m", None) == fitness(inspections(), None, "Tc-99m", None)


def test_a_failed_inspection_stands_until_one_of_its_kind_passes():
    """Shielding failed, then passed; visual failed last: only the visual one stands."""
    table = inspections(
        {"kind": "shielding", "result": "fail"}, {"kind": "shielding", "result": "pass", "done_at": datetime(2024, 4, 1)},
        {"kind": "visual", "result": "fail", "done_at": datetime(2024, 4, 2)}, {"kind": "leak_test", "result": "fail"})
    assert fitness(sorted(table, key=lambda one: one.done_at), None, "Tc-99m", None).failed == ("visual of 2024-04-02",)


def test_a_limit_that_can_be_watched_says_nothing():
    """10,000 counts and 1 % of placing against 10 %."""
    assert unwatchable(1e-4, 10.0, 1e-4, 10.0, "CK-1") is None


def test_a_limit_narrower_than_the_noise_says_the_time_it_needs():
    """100 counts in 10 s: with the time that is said, the limit is just wide enough."""
    text = unwatchable(0.01, 10.0, 1e-4, 10.0, "CK-1")
    assert "cannot be watched with 10-s counts on CK-1" in text
    needed = float(text.split("need ")[1].split("-s")[0])
    assert 1.96 * math.sqrt(0.01 * 10.0 / needed + 1e-4) <= math.log(1.1)
    assert unwatchable(0.01 * 10.0 / needed, needed, 1e-4, 10.0, "CK-1") is None


def test_where_placing_alone_is_too_wide_no_counting_time_helps():
    """Placing spreads by 2 %, the limit is 3 %: reseated repeats or a wider limit."""
    text = unwatchable(1e-4, 10.0, 4e-4, 3.0, "CK-1")
    assert "no counting time is enough" in text
    assert "reseated repeats" in text


@pytest.mark.parametrize("bad", [(float("nan"), 10.0, 1e-4), (0.01, 0.0, 1e-4), (0.01, 10.0, float("nan"))])
def test_what_is_not_known_is_not_judged(bad):
    """No variance or no time: nothing is said."""
    assert unwatchable(*bad, 10.0, "CK-1") is None
