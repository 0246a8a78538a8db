"""Half-lives and decay: how names are read, what an override does, and the laws decay keeps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.counting import nuclides
from analytics.settings import HalfLife

HALF_LIFE = st.floats(0.1, 1e6)
AGE = st.floats(-500, 500)


@settings(deadline=None)
@given(HALF_LIFE, AGE, AGE)
def test_decay_composes(half_life: float, first: float, second: float) -> None:
    """Decaying twice is decaying once over both times."""
    half_life = max(half_life, 1.0)
    together = float(nuclides.decay_factor(half_life, first + second))
    apart = float(nuclides.decay_factor(half_life, first)) * float(nuclides.decay_factor(half_life, second))
    assert together == pytest.approx(apart, rel=1e-10)


@settings(deadline=None)
@given(HALF_LIFE, AGE)
def test_decay_is_undone_by_going_back(half_life: float, age: float) -> None:
    """Forward and back is where it started, and a whole half-life leaves half."""
    half_life = max(half_life, 1.0)
    there = float(nuclides.decay_factor(half_life, age))
    assert there * float(nuclides.decay_factor(half_life, -age)) == pytest.approx(1.0, rel=1e-12)
    assert float(nuclides.decay_factor(half_life, half_life)) == 0.5


@settings(deadline=None)
@given(HALF_LIFE, AGE, AGE)
def test_older_is_weaker(half_life: float, first: float, second: float) -> None:
    """An older source is never stronger."""
    young, old = sorted((first, second))
    half_life = max(half_life, 1.0)
    assert float(nuclides.decay_factor(half_life, old)) <= float(nuclides.decay_factor(half_life, young))


@pytest.mark.parametrize("written", ["Co-57", "Co57", "57Co", "57-Co", "57 Co", " co-57 ", "CO-57", "co_57"])
def test_a_nuclide_is_read_however_it_is_written(written: str) -> None:
    """Mass first or last, with hyphen, blank or nothing, in any case: the same nuclide."""
    assert nuclides.normalise(written) == "Co-57"


@pytest.mark.parametrize(
    ("written", "read"), [("99mTc", "Tc-99m"), ("Tc99M", "Tc-99m"), ("99Mo", "Mo-99"), ("99mo", "Mo-99")])
def test_metastable_states_are_told_from_symbols(written: str, read: str) -> None:
    """The m of 99mTc is a state, the M of 99Mo is molybdenum's."""
    assert nuclides.normalise(written) == read


def test_an_unknown_nuclide_has_no_half_life_and_says_so() -> None:
    """No guess for an unknown nuclide: NaN, and a sentence that says that no decay correction is possible."""
    assert np.isnan(nuclides.half_life_days(["Plastic", "", "Co-999"])).all()
    assert "no decay correction" in nuclides.half_life_statement("Plastic")


def test_an_override_counts_and_names_its_source() -> None:
    """A half-life from the settings replaces the shipped one, however its nuclide is written, and names its source."""
    own = {"57Co": HalfLife(half_life_days=271.81, source="DDEP")}
    assert nuclides.half_life_days(["Co-57", "Cs-137"], own)[0] == 271.81
    assert nuclides.half_life_days(["Cs-137"], own)[0] == nuclides.half_life_days(["Cs-137"])[0]
    assert nuclides.half_life_statement("Co57", own) == "Co-57: half-life 271.81 d, DDEP."
    assert nuclides.half_life_sd_days(["Co-57"], own)[0] == pytest.approx(0.04)
    assert nuclides.half_life_sd_days(["Co-57"])[0] > 0.07
