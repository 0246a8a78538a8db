"""The three-count fit: what it recovers, how sure it says it is, and when it says nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.counting.line_model import WindowSetup
from analytics.counting.three_counts import ThreeCounts
from analytics.counting.window import fit_shift
from analytics.counting.window_width import fit_width

SETUP = WindowSetup.of("Co-57", 122.06, 20.0, 10.0)
assert SETUP is not None


def _expected(
    shift_pct: float, fwhm_pct: float, scatter: float, amplitude: float, setup: WindowSetup = SETUP,
) -> np.ndarray:
    """Counts below, on, above by numerical integration of the lines, on their own and not by the code under test."""
    def lines(gain: float, offset: float) -> float:
        edges = np.linspace(-0.5, 0.5, 4001) * setup.width_kev + setup.centre_kev + offset
        kev, step = (edges[1:] + edges[:-1]) / 2, edges[1] - edges[0]
        total = 0.0
        for energy, intensity in ((122.06, 85.5), (136.47, 10.7)):
            sd = fwhm_pct / 100 * energy * gain / 2.3548200450309493
            heights = np.exp(-0.5 * ((kev - energy * gain) / sd) ** 2)
            total += intensity * float(heights.sum()) * step / (sd * 2.5066282746310002)
        return total

    unit = lines(1.0, 0.0)
    gain = 1 + shift_pct / 100
    seen = [lines(gain, offset) + scatter * unit for offset in (-setup.offset_kev, 0.0, setup.offset_kev)]
    return amplitude * np.array(seen) / unit


def _three(counts: np.ndarray, background: float = 0.0, background_var: float = 0.0) -> ThreeCounts:
    below, centre, above = (np.atleast_1d(one).astype(float) for one in counts)
    shared = np.full(len(below), background_var)
    return ThreeCounts(
        below - background, centre - background, above - background, below + background_var, centre + background_var,
        above + background_var, shared)


@settings(deadline=None)
@given(st.floats(-4, 4), st.floats(5, 20), st.floats(0.02, 0.5))
def test_with_the_width_known_shift_and_scatter_come_back(shift: float, fwhm: float, scatter: float) -> None:
    """Noise-free counts made by other code give back the shift and scatter they were made with."""
    fit = fit_shift(SETUP, _three(_expected(shift, fwhm, scatter, 1e6)), fwhm)
    assert fit.identified[0]
    assert fit.shift_pct[0] == pytest.approx(shift, abs=2e-3)
    assert fit.scatter[0] == pytest.approx(scatter, abs=2e-3)


@settings(deadline=None)
@given(st.floats(-4, 4), st.floats(13, 20), st.floats(0.0, 0.3))
def test_with_the_scatter_known_shift_and_width_come_back(shift: float, fwhm: float, scatter: float) -> None:
    """Noise-free counts of a line that is wide against the offset, by a detector of such lines, give back both."""
    fit = fit_width(SETUP, _three(_expected(shift, fwhm, scatter, 1e6)), scatter, narrowest_pct=8.0)
    assert fit.identified[0]
    assert fit.shift_pct[0] == pytest.approx(shift, abs=5e-3)
    assert fit.width_pct[0] == pytest.approx(fwhm, abs=2e-2)


@pytest.mark.parametrize(
    ("shift", "fwhm", "scatter"), [(0.0, 8.0, 0.1), (-3.0, 8.0, 0.1), (2.0, 12.0, 0.3), (4.0, 6.0, 0.05)])
def test_the_shifts_standard_deviation_is_its_scatter(shift: float, fwhm: float, scatter: float) -> None:
    """Over 2,000 simulated checks of 5,000 counts the shift scatters as its standard deviation says, hardly biased.

    5 cps of background counted as long are taken off all three counts.
    """
    rng = np.random.default_rng(5)
    number, blank = 2_000, 50.0
    counts = rng.poisson(_expected(shift, fwhm, scatter, 5_000.0)[:, None] + blank, (3, number))
    background = rng.poisson(blank, number)
    fit = fit_shift(SETUP, _three(counts, background, background), fwhm)  # type: ignore[arg-type]
    assert fit.identified.all()
    z = (fit.shift_pct - shift) / fit.shift_sd
    inside = fit.scatter_sd > 0      # the others lie at scatter 0, where the estimate leans
    assert z[inside].std() == pytest.approx(1.0, abs=0.08)
    assert abs(fit.shift_pct.mean() - shift) < 0.15 * fit.shift_pct.std()


def test_the_widths_standard_deviation_is_its_scatter() -> None:
    """Over 2,000 simulated checks the width of a 15 % line scatters by what its standard deviation says."""
    rng = np.random.default_rng(6)
    counts = rng.poisson(_expected(1.0, 15.0, 0.0, 20_000.0)[:, None], (3, 2_000))
    fit = fit_width(SETUP, _three(counts))
    assert fit.identified.mean() > 0.99
    z = (fit.width_pct - 15.0) / fit.width_sd
    assert np.nanstd(z) == pytest.approx(1.0, abs=0.08)
    assert abs(np.nanmean(z)) < 0.15


def test_at_the_border_of_no_scatter_the_shift_does_not_jump() -> None:
    """As counts pass from asking for a little scatter to asking for less than none, the shift moves smoothly."""
    middle = _expected(1.0, 8.0, 0.0, 1e6)
    trials = np.linspace(-0.01, 0.01, 401)
    counts = np.stack([middle[0] * (1 + trials), np.full(401, middle[1]), middle[2] * (1 + trials)])
    fit = fit_shift(SETUP, _three(counts), 8.0)
    assert fit.identified.all()
    assert (fit.scatter > 0).any()
    assert (fit.scatter == 0).any()
    assert np.abs(np.diff(fit.shift_pct)).max() < 0.01


def test_a_narrow_line_half_in_each_offset_window_says_nothing_about_its_width() -> None:
    """With an offset of half the window, n₋/n₀ of a 4 % line is ½ whatever the width: no width, but a shift."""
    counts = _three(np.random.default_rng(1).poisson(_expected(0.0, 4.0, 0.0, 20_000.0)[:, None], (3, 500)))
    assert np.isnan(fit_width(SETUP, counts).width_pct).mean() > 0.99
    assert fit_shift(SETUP, counts, 4.0).identified.all()


@pytest.mark.parametrize("counts", [(0, 20_000, 9_000), (9_000, 0, 9_000), (-5, 3, 2), (np.nan, 100, 100)])
def test_counts_that_hold_no_answer_give_none(counts: tuple[float, float, float]) -> None:
    """An empty or negative net count, or an unknown one, is not identified: NaN in every column, no crash."""
    for fit in (fit_shift(SETUP, _three(np.array(counts)), 8.0), fit_width(SETUP, _three(np.array(counts)))):
        assert not fit.identified[0]
        assert np.isnan([fit.shift_pct[0], fit.shift_sd[0]]).all()


def test_a_handful_of_counts_is_too_little() -> None:
    """Net counts that are not twice their own standard deviation have no logarithm to go by: nothing is said."""
    assert not fit_shift(SETUP, _three(np.array([1.0, 2.0, 1.0])), 8.0).identified[0]


def test_a_width_taken_a_tenth_too_wide_scales_the_shift_by_about_a_tenth() -> None:
    """What a wrong width costs: the change of shift is scaled, alike at every check, and its sign is never in doubt."""
    shifts = np.array([-3.0, -1.0, 0.0, 1.0, 3.0])
    counts = np.stack([_expected(one, 10.0, 0.1, 1e6) for one in shifts], axis=1)
    fit = fit_shift(SETUP, _three(counts), 11.0)
    change = fit.shift_pct - fit.shift_pct[2]
    assert np.abs(change[[0, 1, 3, 4]] / shifts[[0, 1, 3, 4]] - 1).max() < 0.15


def test_amplitude_does_not_matter() -> None:
    """The same three counts times a thousand give the same shift, with a standard deviation √1000 smaller."""
    small, large = (fit_shift(SETUP, _three(_expected(1.5, 9.0, 0.1, one)), 9.0) for one in (1e3, 1e6))
    assert small.shift_pct[0] == pytest.approx(large.shift_pct[0], abs=1e-9)
    assert small.shift_sd[0] / large.shift_sd[0] == pytest.approx(np.sqrt(1000))


@pytest.mark.parametrize(
    ("nuclide", "centre", "width", "offset"),
    [("Plastic", 122.0, 20.0, 10.0), ("Co-57", np.nan, 20.0, 10.0), ("Co-57", 122.0, 20.0, 0.0)])
def test_without_lines_or_figures_there_is_no_model(nuclide: str, centre: float, width: float, offset: float) -> None:
    """A nuclide without listed lines, or a window without centre, width or offset, has no model to fit."""
    assert WindowSetup.of(nuclide, centre, width, offset) is None


def test_two_widths_that_make_the_same_counts_are_not_told_apart() -> None:
    """Lines of 11 % and 3.8 %, half a window off, give the very same three counts of Co-57: no width is named."""
    wide, narrow = _expected(0.0, 11.0, 0.0, 1e6), _expected(-0.0191349, 3.77514627, 0.0, 1e6)
    assert (wide / wide[1]).tolist() == pytest.approx((narrow / narrow[1]).tolist(), rel=1e-5)
    assert not fit_width(SETUP, _three(wide)).identified[0]
    known_wide = fit_width(SETUP, _three(wide), narrowest_pct=8.0)
    assert not known_wide.identified[0] or known_wide.width_pct[0] == pytest.approx(11.0, abs=0.1)


def test_counts_without_derivatives_are_those_with_them():
    """What the forecast of a slide is made of is worked out without derivatives: the same counts to the last digit."""
    gain = 1.0 + np.linspace(-0.25, 0.25, 101)
    for fwhm in (0.05, 0.12):
        assert np.array_equal(SETUP.counted(gain, np.asarray(fwhm)), SETUP.seen(gain, np.asarray(fwhm))[0])
