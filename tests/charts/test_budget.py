"""From false alarms a year to thresholds, held against computed run lengths."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.charts.budget import SHARES, SIZES_K, checks_between_false_alarms, threshold_nats
from analytics.charts.run_length import cusum_mean_run_lengths, likelihood_threshold_nats


@pytest.mark.parametrize("arl0", [100.0, 1000.0, 1e4, 1e5])
@pytest.mark.parametrize(("k", "tolerance"), [(0.25, 0.01), (0.5, 0.01), (1.0, 0.08)])
def test_thresholds_keep_the_computed_run_length(k, tolerance, arl0):
    """Siegmund's approximation against the computed two-sided run length: within 1 %, and within 8 % for 1 sigma."""
    h = float(threshold_nats(np.array(arl0), k, charts=2))
    (length,) = cusum_mean_run_lengths(k, h / (2 * k), sides=2, shifts=(0.0,))
    assert length == pytest.approx(arl0, rel=tolerance)
    assert h == pytest.approx(likelihood_threshold_nats(k, arl0, sides=2), abs=0.08)


def test_thresholds_in_nats_are_the_published_ones():
    """Project methods §5: two-sided ARL0 1000 has 4.97, 5.76, 6.02 nats for k = 0.25, 0.5, 1 (the last to 0.06)."""
    made = [float(threshold_nats(np.array(1000.0), k, charts=2)) for k in (0.25, 0.5, 1.0)]
    assert made[:2] == pytest.approx([4.97, 5.76], abs=0.011)
    assert made[2] == pytest.approx(6.02, abs=0.06)


def test_all_charts_together_keep_the_budget():
    """Six one-sided charts on the same normal readings: simulated run length within 15 % of that asked for."""
    rng, n, wanted = np.random.default_rng(12), 600, 300.0
    d = 2.0 * np.array(SIZES_K)[:, None, None]
    h = np.array([float(threshold_nats(np.array(wanted), k)) for k in SIZES_K])[:, None, None]
    side = np.array([-1.0, 1.0])[None, :, None]
    s, length, alive = np.zeros((len(SIZES_K), 2, n)), np.zeros(n), np.ones(n, bool)
    for reading in range(1, 30 * int(wanted)):
        s = np.maximum(0.0, s + side * d * rng.standard_normal(n) - d * d / 2)
        hit = (s > h).any(axis=(0, 1)) & alive
        length[hit] = reading
        alive &= ~hit
        if not alive.any():
            break
    assert not alive.any()
    assert length.mean() == pytest.approx(wanted, rel=0.15)  # the mean of 600 lengths has a standard error of 4 %


def test_thresholds_grow_with_the_run_length_and_work_on_arrays():
    """One threshold for each run length, larger for longer ones; none below half a nat."""
    made = threshold_nats(np.array([1.0, 50.0, 500.0, 5e6]), 0.5)
    assert made.shape == (4,)
    assert (np.diff(made) > 0).all()
    assert made[0] >= 0.5


def test_budget_becomes_run_length_by_the_cadence_kept():
    """ARL0 = (365.25 / interval) / (budget · share): weekly, 0.05 a year, whole budget would be 1043.6 checks."""
    weekly, monthly = checks_between_false_alarms(0.05, "response", np.array([7.0, 30.4]))
    assert weekly * SHARES["response"] == pytest.approx(365.25 / 7.0 / 0.05)
    assert weekly / monthly == pytest.approx(30.4 / 7.0)
    assert checks_between_false_alarms(10.0, "response", np.array([365.0]))[0] == 50.0
    twice = checks_between_false_alarms(0.1, "response", np.array([7.0]))[0]
    assert weekly / twice == pytest.approx(2.0)


def test_shares_do_not_spend_more_than_there_is():
    """What all families of rules may spend together is the budget."""
    assert sum(SHARES.values()) == pytest.approx(1.0)
    assert min(SHARES.values()) > 0
