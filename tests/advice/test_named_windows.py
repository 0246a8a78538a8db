"""Findings name the window they speak of where a probe is read in two."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from analytics.advice.evidence import Evidence
from analytics.advice.named_windows import named_windows
from analytics.advice.situation import Situation
from analytics.advice.verdict import judge
from analytics.results import Alert
from tests.dashboard import made_up

WHEN = datetime(2025, 3, 1)


def _responses():
    """Two responses of one probe: the first beyond tolerance."""
    _, assessment = made_up.fleet(("healthy",))
    one = next(s for s in assessment.series if s.quantity == "response")
    beyond = Alert("E-1", "tolerance", WHEN, None, None, "low", "")
    return replace(one, window="Tc-99m", alerts=(beyond,)), replace(one, window="Co-57")


def test_level_and_limit_are_told_each_with_its_window():
    """The level of one window and the limit passed in another are two sentences that do not seem to contradict each other."""
    evidence = Evidence("GP-1", open_rules={"tolerance"}, change_pct=-4.5, change_interval_pct=(-5.0, -4.0))
    said = judge(Situation(evidence, checks_in_force=30, windows=named_windows(_responses(), "Co-57", None))).reasons
    assert any(one.startswith("The response in Co-57 stands at 95.5 %") for one in said)
    assert any(one.startswith("In Tc-99m it is beyond the tolerance limit of 10 %") for one in said)


def test_a_probe_of_one_window_needs_no_name():
    """Nothing is named where there is nothing to take it for."""
    first, _ = _responses()
    assert named_windows([first], "Tc-99m", first.crossing) == named_windows([], None, None)
