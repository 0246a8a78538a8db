"""A loss that comes with another jig is in no series, and is said."""

from __future__ import annotations

import pytest

from tests.baseline.logbook import advice, sound_log, weekly


def moved(level, *, event=None, jig="J-2"):
    """Four sound probes, and one that is read on another jig from day 140 on, there at this level."""
    log = sound_log(4)
    log.probe("X").checks("X", weekly(20, offset=0.2))
    log.checks("X", weekly(20, 140.0, 0.2), jig=jig, level=lambda _day: level)
    if event is not None:
        log.event("X", 137.0, event, new_reference=True)
    return [text for text in advice(log.assess(274.0), "X").reasons if "it is read" in text]


@pytest.mark.parametrize(("level", "jig", "where"), [(0.8, "J-2", "on jig J-2"), (1.2, "J-2", "on jig J-2"), (0.8, None, "with no jig written down")])
def test_a_response_that_changes_with_the_jig_is_said(level, jig, where):
    """A fifth less, or more, from the day of the new jig on, or from where none is written down: the day, the share, and how to tell."""
    (text,) = moved(level, jig=jig)
    assert text.startswith(f"Since 2022-05-23 it is read {where}, where its response began at ")
    assert float(text.partition("began at ")[2].partition(" %")[0]) == pytest.approx(100.0 * level, abs=2.0)
    assert "on jig J-1 before" in text


def test_what_stays_within_the_action_level_or_follows_a_service_is_not():
    """Three per cent are the jig's; after a repair nobody expects the level of before."""
    assert moved(0.97) == []
    assert moved(0.8, event="repair") == []
