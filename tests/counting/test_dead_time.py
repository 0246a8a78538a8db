"""Dead time: both models there and back, what is refused, and what the correction does to a standard deviation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.counting import dead_time

TAU = st.floats(1e-8, 1e-4)
# Occupancy nτ: the paralysable model keeps its low branch below 1.
OCCUPANCY = st.floats(1e-6, 0.98)
MODEL = st.sampled_from([dead_time.NON_PARALYSABLE, dead_time.PARALYSABLE])


def _arrays(rate: float, tau: float, model: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return np.array([rate]), np.array([tau]), np.array([model], np.int8)


@settings(deadline=None)
@given(OCCUPANCY, TAU, MODEL)
def test_the_correction_undoes_the_loss(occupancy: float, tau: float, model: int) -> None:
    """A true rate that is seen with losses and corrected is the true rate again."""
    true, tau_s, kind = _arrays(occupancy / tau, tau, model)
    seen = dead_time.observed_rate(true, tau_s, kind)
    assert not dead_time.refused(seen, tau_s, kind)[0]
    # near the paralysable peak the observed rate is flat, so its rounding is magnified by F
    tolerance = 1e-9 + 1e-15 * float(dead_time.factor(true, tau_s, kind)[0]) ** 2
    assert dead_time.true_rate(seen, tau_s, kind)[0] == pytest.approx(true[0], rel=tolerance)


@settings(deadline=None)
@given(OCCUPANCY, OCCUPANCY, TAU, MODEL)
def test_more_is_more(first: float, second: float, tau: float, model: int) -> None:
    """On the low branch a higher observed rate never means a lower true one, and never less than what was observed."""
    seen = np.sort(np.array([first, second]) * 0.36 / tau)
    true = dead_time.true_rate(seen, np.full(2, tau), np.full(2, model, np.int8))
    assert true[0] <= true[1]
    assert (true >= seen).all()


@settings(deadline=None)
@given(OCCUPANCY, TAU, MODEL)
def test_the_factor_is_the_slope(occupancy: float, tau: float, model: int) -> None:
    """F is d true / d observed: one over the slope of the loss, taken numerically."""
    occupancy = min(occupancy, 0.9)
    true, tau_s, kind = _arrays(occupancy / tau, tau, model)
    step = 1e-5 * true
    above, below = (dead_time.observed_rate(true + way * step, tau_s, kind) for way in (1, -1))
    slope = (above - below) / (2 * step)
    assert dead_time.factor(true, tau_s, kind)[0] == pytest.approx(1 / slope[0], rel=1e-4)


def test_nothing_is_corrected_without_a_dead_time() -> None:
    """A dead time of zero leaves every rate as it is, with F = 1, in both models."""
    rate, none = np.array([0.0, 1e6]), np.zeros(2)
    for model in (dead_time.NON_PARALYSABLE, dead_time.PARALYSABLE):
        kind = np.full(2, model, np.int8)
        assert dead_time.true_rate(rate, none, kind).tolist() == rate.tolist()
        assert dead_time.factor(rate, none, kind).tolist() == [1.0, 1.0]


def test_rates_beyond_the_model_are_refused_and_not_extrapolated() -> None:
    """Above 0.368/τ (paralysable) and from 1/τ on (non-paralysable) there is no true rate: NaN."""
    tau, kinds = np.full(4, 1e-5), np.array([1, 1, 0, 0], np.int8)
    seen = np.array([36_700.0, 36_900.0, 99_000.0, 100_000.0])
    assert dead_time.refused(seen, tau, kinds).tolist() == [False, True, False, True]
    assert np.isnan(dead_time.true_rate(seen, tau, kinds)).tolist() == [False, True, False, True]


def test_loss_is_a_fraction_of_the_true_counts() -> None:
    """20,000 seen of 25,000 is a loss of 0.2; nothing seen of nothing is no loss."""
    assert dead_time.loss(np.array([20_000.0, 0.0]), np.array([25_000.0, 0.0])).tolist() == pytest.approx([0.2, 0.0])


@pytest.mark.parametrize("counts", [(100.0, 100.0, 250.0), (0.0, 0.0, 0.0), (100.0, 100.0, 10.0)])
def test_two_sources_that_allow_no_dead_time_give_none(counts: tuple[float, float, float]) -> None:
    """More together than singly, nothing at all, or absurdly little together: no dead time, and no crash."""
    assert np.isnan(dead_time.two_source_dead_time_s(*counts))


@settings(deadline=None)
@given(st.floats(1e-7, 2e-5), st.floats(1e3, 1e4), st.floats(1e3, 1e4), st.floats(0, 50))
def test_two_sources_give_back_the_dead_time_they_were_made_with(
    tau: float, first: float, second: float, background: float,
) -> None:
    """Rates made with a non-paralysable dead time give that dead time back, whatever the background."""
    kind = np.zeros(3, np.int8)
    true = np.array([first + background, second + background, first + second + background])
    m1, m2, m12 = dead_time.observed_rate(true, np.full(3, tau), kind)
    mb = float(dead_time.observed_rate(np.array([background]), np.array([tau]), kind[:1])[0])
    assert dead_time.two_source_dead_time_s(m1, m2, m12, mb) == pytest.approx(tau, rel=1e-4)


def test_far_beyond_the_peak_there_is_no_factor_and_no_overflow() -> None:
    """A true rate of a thousand dead times a dead time: not known, without a warning (warnings are errors here)."""
    assert np.isnan(dead_time.factor(*_arrays(1e8, 1e-5, dead_time.PARALYSABLE))).all()
