"""The examples in the docstrings of the dashboard's pure parts hold."""

from __future__ import annotations

import doctest
import importlib

import pytest

PARTS = (
    "dashboard.parts.values",
    "dashboard.parts.links",
    "dashboard.figures.ground",
    "dashboard.figures.readings",
    "dashboard.figures.forecast",
    "dashboard.seam.steps",
)


@pytest.mark.parametrize("name", PARTS)
def test_examples_hold(name):
    """Each example gives what it says."""
    found = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert found.attempted > 0
    assert found.failed == 0
