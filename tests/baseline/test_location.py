"""The robust centre against a reference library, and in company that disagrees."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from analytics.baseline.heard_core import TUKEY_C, median
from analytics.baseline.location import robust_centre
from tests.baseline.plain_centre import robust_centre as plain_centre


def centre(values, variances):
    """Centre of one group."""
    made = robust_centre(np.asarray(values, float)[:, None], np.asarray(variances, float)[:, None])
    return made.value[0], made.variance[0], made.members[0]


@pytest.mark.parametrize("seed", range(6))
def test_it_is_the_biweight_of_the_reference_library(seed):
    """RLM of statsmodels, TukeyBiweight(4.685), rows scaled by their sd, scale 1: the same to a thousandth of an sd."""
    rng = np.random.default_rng(seed)
    sd = rng.uniform(0.008, 0.012, 24)
    values = sd * rng.standard_normal(24)
    values[:2] += rng.choice([-1.0, 1.0]) * np.array([0.1, 0.06])
    # Where the values scatter more than stated, the difference is added to every variance.
    seen = (1.4826 * np.median(np.abs(values - np.median(values)))) ** 2
    wide = np.sqrt(sd**2 + max(seen - np.median(sd**2), 0.0))

    def unit_scale(residual):
        """Scale 1, once RLM has corrected it for the one parameter."""
        return np.sqrt((len(residual) - 1) / len(residual))

    model = sm.RLM(values / wide, 1.0 / wide, M=sm.robust.norms.TukeyBiweight(TUKEY_C))
    fit = model.fit(scale_est=unit_scale, tol=1e-12, maxiter=200)
    assert centre(values, sd**2)[0] == pytest.approx(fit.params[0], abs=1e-3 * 0.01)


def test_sound_values_of_equal_variance_give_nearly_the_mean():
    """Without outliers the centre is the mean to a tenth of its error, with the variance of a mean."""
    rng = np.random.default_rng(9)
    values = 0.01 * rng.standard_normal((25, 500))
    made = robust_centre(values, np.full(values.shape, 1e-4))
    assert np.abs(made.value - values.mean(axis=0)).mean() < 0.2 * 0.01 / 5
    assert made.value.std() == pytest.approx(0.01 / 5, rel=0.12)
    assert np.median(made.variance) == pytest.approx(1e-4 / 25, rel=0.35)


def test_it_is_not_moved_by_a_blunder():
    """One value of ten, however far off, moves the centre by less than the error of a mean of nine."""
    rng = np.random.default_rng(2)
    values = 0.01 * rng.standard_normal(10)
    without, _, _ = centre(values[:9], np.full(9, 1e-4))
    spoiled = values.copy()
    for far in (0.3, 3.0, -30.0):
        spoiled[9] = far
        assert abs(centre(spoiled, np.full(10, 1e-4))[0] - without) < 0.01 / 3


def test_no_value_one_value_two_values():
    """None: NaN with infinite variance; one: itself with its variance; two: between them, wider where they disagree."""
    value, variance, _ = centre([np.nan, np.nan], [1.0, 1.0])
    assert np.isnan(value)
    assert variance == np.inf
    assert centre([0.3, np.nan], [4e-4, 1.0])[:2] == (0.3, 4e-4)
    agree, disagree = centre([0.0, 0.01], [1e-4, 1e-4]), centre([0.0, 0.5], [1e-4, 1e-4])
    assert 0.0 <= agree[0] <= 0.01
    assert disagree[1] > 100 * agree[1]
    assert disagree[1] >= 0.25**2 / 2
    empty = robust_centre(np.zeros((0, 3)), np.zeros((0, 3)))
    assert np.isnan(empty.value).all()
    assert empty.members.tolist() == [0, 0, 0]


def test_values_that_disagree_beyond_their_variances_widen_the_centre():
    """Ten values that scatter ten times as far as stated: the variance is that of their spread, not the stated one."""
    rng = np.random.default_rng(4)
    values = 0.1 * rng.standard_normal(10)
    _, variance, _ = centre(values, np.full(10, 1e-4))
    assert variance > 0.25 * 0.01 / 10


def test_half_against_half_is_not_taken_for_knowledge():
    """Five at 0 and five at 20 %: wherever the centre lies, its error says that little is known."""
    value, variance, _ = centre([0.0] * 5 + [0.2] * 5, np.full(10, 1e-4))
    assert 0.0 <= value <= 0.2
    assert np.sqrt(variance) > 0.02


def test_empty_rows_groups_beside_and_order_change_no_digit():
    """More empty places, other groups beside it: not a digit; order of the values: not more than rounding."""
    rng = np.random.default_rng(5)
    values, variances = rng.standard_normal((7, 4)), rng.uniform(0.5, 2.0, (7, 4))
    values[5:, 1] = np.nan
    made = robust_centre(values, variances)
    padded = robust_centre(
        np.vstack([values, np.full((3, 4), np.nan)]), np.vstack([variances, np.full((3, 4), np.nan)]))
    for name in ("value", "variance", "members"):
        assert (getattr(padded, name) == getattr(made, name)).all()
        alone = robust_centre(values[:, 1:2], variances[:, 1:2])
        assert getattr(alone, name)[0] == getattr(made, name)[1]
    turned = robust_centre(values[::-1], variances[::-1])
    assert turned.value == pytest.approx(made.value, rel=1e-12)


def test_constant_values():
    """Values alike to the last digit: that value, with the variance of a mean."""
    value, variance, _ = centre(np.full(6, 1.25), np.full(6, 1e-4))
    assert value == pytest.approx(1.25, abs=1e-15)
    assert variance == pytest.approx(1e-4 / 6, rel=1e-9)


def test_a_shift_of_all_values_shifts_the_centre():
    """The centre moves with its values, the variance stays."""
    rng = np.random.default_rng(6)
    values, variances = rng.standard_normal((9, 50)), rng.uniform(0.2, 1.0, (9, 50))
    one, other = robust_centre(values, variances), robust_centre(values + 3.0, variances)
    assert other.value - 3.0 == pytest.approx(one.value, abs=1e-9)
    assert other.variance == pytest.approx(one.variance, rel=1e-6)


def test_the_compiled_loops_say_what_whole_arrays_say():
    """Groups of 0 to 12 values, some far off, some alike, some missing: as worked out over whole arrays, to rounding."""
    rng = np.random.default_rng(8)
    values, variances = rng.standard_normal((12, 4000)), rng.uniform(0.01, 2.0, (12, 4000))
    values[rng.random(values.shape) < 0.1] *= 20.0
    values[rng.random(values.shape) < 0.3] = np.nan
    values[:, rng.random(4000) < 0.1] = 0.25
    values[rng.integers(0, 12, 400), rng.integers(0, 4000, 400)] = np.nan
    values[3:, :300] = np.nan
    values[:, :20] = np.nan
    made, plain = robust_centre(values, variances), plain_centre(values, variances)
    for name in ("value", "variance", "members"):
        np.testing.assert_allclose(getattr(made, name), getattr(plain, name), rtol=1e-12)


def test_the_median_is_that_of_the_reference_library_with_ties_too():
    """Ended early where both middle values are found: the same as numpy's for any number of values, alike ones among them."""
    rng = np.random.default_rng(5)
    for n in range(1, 14):
        for most in (2, 4, 1000):
            values = rng.integers(0, most, n).astype(float)
            assert median(values, n) == np.median(values)
