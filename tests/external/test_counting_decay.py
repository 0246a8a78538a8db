"""Decay held against ICRP Publication 107, as in the radioactivedecay package, and against printed values."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.counting import nuclides
from analytics.counting.make_half_lives import rows


@pytest.fixture(scope="module")
def package() -> dict[str, float]:
    """Half-life in days of every radioactive nuclide of the package."""
    return dict(rows())


def test_the_shipped_table_is_that_of_icrp_107(package: dict[str, float]) -> None:
    """Every shipped half-life is, digit by digit, the one of ICRP 107 in radioactivedecay, and none is missing."""
    assert nuclides.shipped_half_lives() == package
    assert len(package) > 1200


@pytest.mark.parametrize(("days", "becquerel"), [(30.0, 3_427_426), (90.0, 2_941_040), (365.25, 1_457_413)])
def test_printed_activities_of_co57(days: float, becquerel: int) -> None:
    """3.7 MBq of Co-57 (271.74 d) after 30, 90, 365.25 d: values computed with radioactivedecay, project methods §9."""
    half_life = nuclides.half_life_days(["Co-57"])
    assert half_life[0] == 271.74
    assert round(3.7e6 * float(nuclides.decay_factor(half_life, days)[0])) == becquerel


@pytest.mark.parametrize("name", ["Co-57", "Tc-99m", "I-125", "Am-241", "Ba-133", "Cs-137", "Gd-153", "I-129"])
def test_decay_agrees_with_the_package(name: str) -> None:
    """Activities of the nuclides of check sources after 1 h to 5 years agree with radioactivedecay's own decay."""
    import radioactivedecay

    half_life = float(nuclides.half_life_days([name])[0])
    for days in (1 / 24, 30.0, 1826.25):
        decayed = radioactivedecay.Inventory({name: 1e6}, "Bq").decay(days, "d").activities("Bq")[name]
        assert 1e6 * float(nuclides.decay_factor(half_life, days)) == pytest.approx(decayed, rel=1e-9, abs=1e-200)


def test_another_evaluation_moves_a_year_by_its_difference() -> None:
    """DDEP's 271.81 d moves a year's decay of Co-57 by 2.4e-4 against ICRP 107 (project methods §9)."""
    ratio = float(nuclides.decay_factor(271.81, 365.2422)) / float(nuclides.decay_factor(271.74, 365.2422)) - 1
    assert ratio == pytest.approx(2.4e-4, abs=5e-6)


@pytest.mark.parametrize(
    ("name", "days"),
    [("Cs-137", 30.1671 * 365.2422), ("Co-57", 271.74), ("I-125", 59.4), ("Gd-153", 240.4)])
def test_icrp_107_half_lives_as_printed(name: str, days: float) -> None:
    """ICRP 107: Cs-137 30.1671 years of 365.2422 d, Co-57 271.74 d, I-125, Gd-153 (project trade list)."""
    assert float(nuclides.half_life_days([name])[0]) == pytest.approx(days, rel=1e-9)


def test_wrong_records_make_the_false_drifts_they_are_known_for() -> None:
    """No decay correction reads −0.255 % a day for Co-57, 270 d for 271.81 d +3.2 % in 5 years (project trade list)."""
    assert 100 * (float(nuclides.decay_factor(271.81, 1.0)) - 1) == pytest.approx(-0.255, abs=5e-4)
    five = 5 * 365.25
    wrong = float(nuclides.decay_factor(271.81, five) / nuclides.decay_factor(270.0, five)) - 1
    assert 100 * wrong == pytest.approx(3.2, abs=0.05)


def test_a_months_error_in_the_reference_date() -> None:
    """31 days of Co-57 are 8.2 % of activity (project methods §4)."""
    assert 100 * (float(nuclides.decay_factor(271.74, -31.0)) - 1) == pytest.approx(8.2, abs=0.05)


def test_uncertainty_of_the_gadolinium_half_life() -> None:
    """u(half-life) of Gd-153 makes 2 % in 5 years (project trade list)."""
    half_life, sd = nuclides.half_life_days(["Gd-153"]), nuclides.half_life_sd_days(["Gd-153"])
    relative = np.log(2) * 5 * 365.25 / half_life * sd / half_life
    assert 100 * float(relative[0]) == pytest.approx(2.2, abs=0.05)
