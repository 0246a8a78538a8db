"""The simulator's physics against printed values and against plain numerical integration."""

import ast
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

import analytics.simulate
from analytics.simulate.physics import HALF_LIFE_DAYS, moved_away, remaining, seen_rate, window_share


def share(centre_kev, gain, fwhm_pct=10.0, scatter=0.0):
    """A 20 % window around ``centre_kev``."""
    return float(window_share(*map(np.array, (0.9 * centre_kev, 1.1 * centre_kev, gain, fwhm_pct, scatter))))


@pytest.mark.parametrize(("shift", "change_pct"), [(-0.05, -3.3), (-0.03, 0.8), (0.03, -6.2), (0.05, -14.5)])
def test_gain_moves_co57_counts_as_computed_for_the_trade(shift, change_pct):
    """A gain shift changes Co-57 in its own window by the sizes computed in the project's trade notes ([C], ±0.1 %)."""
    assert 100 * (share(122.06, 1 + shift) / share(122.06, 1.0) - 1) == pytest.approx(change_pct, abs=0.1)


@pytest.mark.parametrize(("shift", "change_pct"), [(-0.01, -20.0), (0.01, 24.0)])
def test_gain_moves_co57_in_the_tc99m_window_strongly(shift, change_pct):
    """One per cent of gain changes Co-57 in a Tc-99m window by −20/+24 % (computed in the trade notes, rounded)."""
    assert 100 * (share(140.51, 1 + shift) / share(140.51, 1.0) - 1) == pytest.approx(change_pct, abs=0.5)


def test_window_share_is_the_integral_of_lines_and_scatter():
    """The closed form equals a numerical integral over two Gaussian lines and a flat part."""
    gain, fwhm, scatter = 1.02, 8.0, 0.001

    def density(kev):
        total = scatter
        for line_kev, intensity in ((122.06, 0.855), (136.47, 0.107)):
            sd = 0.08 * gain * line_kev / 2.354820045
            total += intensity * np.exp(-0.5 * ((kev - gain * line_kev) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
        return total

    expected, _ = quad(density, 0.9 * 122.06, 1.1 * 122.06, epsabs=1e-12)
    assert share(122.06, gain, fwhm, scatter) == pytest.approx(expected, rel=1e-9)


def test_five_years_of_co57():
    """10,000 cps of Co-57 are 94.93 cps after 5 × 365.25 d with the half-life of DDEP (trade notes, row 11)."""
    assert HALF_LIFE_DAYS["Co-57"] == 271.81
    assert 10_000 * float(remaining(np.array(5 * 365.25), 271.81)) == pytest.approx(94.93, abs=0.005)


def test_dead_time_of_both_kinds():
    """τ 10 µs takes 25,000 to 20,000 cps, and where paralysable 10,000 to 9,048.37 (trade notes, rows 14, 15)."""
    seen = seen_rate(np.array([25_000.0, 10_000.0]), np.array([10.0, 10.0]), np.array([False, True]))
    assert seen == pytest.approx([20_000.0, 9_048.37], abs=0.005)


@pytest.mark.parametrize(("distance_mm", "by_mm", "change_pct"), [(10, 1, -17), (10, -1, 23), (30, 1, -6), (30, -1, 7)])
def test_a_millimetre_counts(distance_mm, by_mm, change_pct):
    """One millimetre changes a point source by the rounded sizes of the trade notes."""
    assert round(100 * moved_away(distance_mm, by_mm) - 100) == change_pct


def test_shares_no_code_with_the_analysis():
    """No module of the simulator imports counting, baseline, charts, drift, advice or the fleet line."""
    banned = {"counting", "baseline", "charts", "drift", "advice", "fleet"}
    for path in Path(analytics.simulate.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [one.name for one in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                part = name.split(".")
                assert not (part[0] == "analytics" and len(part) > 1 and part[1] in banned), (
                    f"{path.name} imports {name}"
                )
