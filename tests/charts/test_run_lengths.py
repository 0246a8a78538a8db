"""Run lengths where no table reaches: against simulation with fixed seeds, exact identities, and finer quadrature."""

import math
from itertools import count

import numpy as np
import pytest

from analytics.charts import run_length as rl
from analytics.charts.run_lengths import cusum, ewma, paired_start, process, slow_drift
from analytics.charts.run_lengths.cusum import TwoSided
from analytics.errors import UserError

RUNS = 40_000


def simulated(step, mean_at, seed):
    """Mean and standard error of RUNS run lengths; step(x, alive) returns which of the alive runs signal."""
    rng = np.random.default_rng(seed)
    alive, length = np.arange(RUNS), np.zeros(RUNS)
    for t in count(1):
        out = step(rng.standard_normal(len(alive)) + mean_at(t), alive)
        length[alive[out]] = t
        alive = alive[~out]
        if not len(alive):
            return length.mean(), length.std() / math.sqrt(RUNS)
    raise AssertionError


def two_cusums(k, h, head_start):
    """Both arms, simulated reading by reading."""
    arms = np.full((2, RUNS), head_start)

    def step(x, alive):
        arms[0, alive] = np.maximum(0.0, arms[0, alive] + x - k)
        arms[1, alive] = np.maximum(0.0, arms[1, alive] - x - k)
        return (arms[:, alive] > h).any(axis=0)

    return step


@pytest.mark.parametrize(("k", "h", "head_start", "drift"), [
    (0.5, 4.0, 0.0, 0.02), (0.5, 4.0, 2.0, 0.01), (0.25, 6.0, 0.0, -0.005), (0.2, 3.0, 2.9, 0.1),
    (0.0, 4.0, 3.0, 0.05), (1.0, 2.0, 0.0, 0.001),
])
def test_two_sided_cusum_under_drift_agrees_with_simulation(k, h, head_start, drift):
    """The coupled marginals of both arms give the simulated mean, from zero and from head starts of any height."""
    computed = rl.cusum_mean_run_lengths(k, h, head_start=head_start, drifts=[drift])[0]
    mean, error = simulated(two_cusums(k, h, head_start), lambda t: drift * t, seed=11)
    assert computed == pytest.approx(mean, abs=4 * error)


@pytest.mark.parametrize(("k", "h", "head_start", "shift"), [
    (0.5, 3.0, 3.0, 0.0), (0.1, 3.0, 2.5, 0.5), (0.0, 3.0, 2.0, 0.0), (0.5, 3.0, 1.5, -0.7),
])
def test_two_sided_cusum_with_high_head_start_agrees_with_simulation(k, h, head_start, shift):
    """Head starts at which both arms can stand high together are computed as exactly as low ones."""
    computed = rl.cusum_mean_run_lengths(k, h, head_start=head_start, shifts=[shift])[0]
    mean, error = simulated(two_cusums(k, h, head_start), lambda _: shift, seed=12)
    assert computed == pytest.approx(mean, abs=4 * error)


def test_steady_state_of_both_arms_agrees_with_simulation():
    """The delay of a shift after 60 readings without a signal is the simulated one, and near the steady state."""
    k, h, shift, before = 0.5, 3.0, 1.0, 60
    rng = np.random.default_rng(13)
    arms, alive = np.zeros((2, 10 * RUNS)), np.ones(10 * RUNS, bool)
    for _ in range(before):
        x = rng.standard_normal(arms.shape[1])
        arms = np.maximum(0.0, arms + np.stack((x, -x)) - k)
        alive &= (arms <= h).all(axis=0)
    started = arms[:, alive][:, :RUNS]

    def step(x, alive):
        started[:, alive] = np.maximum(0.0, started[:, alive] + np.stack((x, -x)) - k)
        return (started[:, alive] > h).any(axis=0)

    mean, error = simulated(step, lambda _: shift, seed=14)
    after, steady = (rl.cusum_mean_run_lengths(k, h, shifts=[shift], after=n)[0] for n in (before, math.inf))
    assert after == pytest.approx(mean, abs=4 * error)
    assert after == pytest.approx(steady, rel=1e-6)


@pytest.mark.parametrize("chart", [
    lambda n: rl.cusum_mean_run_lengths(0.5, 4, after=n, shifts=[0.0]),
    lambda n: rl.cusum_mean_run_lengths(0.5, 4, sides=1, head_start=2, after=n, shifts=[0.0]),
    lambda n: rl.ewma_mean_run_lengths(0.1, 2.7, after=n, shifts=[0.0]),
    lambda n: rl.ewma_mean_run_lengths(0.1, 2.7, limits="varying", after=n, shifts=[0.0]),
    lambda n: rl.shewhart_mean_run_lengths(3, rules=[1, 2, 3, 4], after=n, shifts=[0.0]),
])
def test_steady_state_is_the_limit_of_a_late_change(chart):
    """The conditional steady state equals what 400 readings without a signal lead to, wherever the chart began."""
    assert chart(400)[0] == pytest.approx(chart(math.inf)[0], rel=1e-8)


def test_drift_figures_at_arl0_1000():
    """EWMA 0.1, CUSUM(0.5, 5.757) and limits ±3.29 at ARL0 1000 have the delays computed before by other code."""
    drifts = [0.02, 0.05, 0.1, 0.2, 0.5]
    weight = 0.1
    rows = (
        (rl.ewma_mean_run_lengths(weight, rl.ewma_limit(weight, 1000), drifts=drifts), [37.8, 21.3, 14.1, 9.46, 5.69]),
        (rl.cusum_mean_run_lengths(0.5, 5.75735, drifts=drifts), [39.5, 21.8, 14.2, 9.42, 5.60]),
        (rl.shewhart_mean_run_lengths(rl.shewhart_limit(1000), drifts=drifts), [71.4, 36.2, 21.3, 12.5, 6.10]),
        (rl.shewhart_mean_run_lengths(5.0, drifts=drifts), [157, 70, 38, 21, 9.5]),
    )
    for computed, known in rows:
        assert computed == pytest.approx(known, rel=0.014)


def test_western_electric_rules_together_cry_wolf():
    """All four Western Electric rules together have an in-control run length of 91.75 (Champ & Woodall 1987)."""
    assert rl.shewhart_mean_run_lengths(3, rules=[1, 2, 3, 4], shifts=[0])[0] == pytest.approx(91.75, abs=0.005)


def everything():
    """A spread of parameters over all charts."""
    return np.array([
        *rl.cusum_mean_run_lengths(0.5, 5, sides=1, shifts=[-3, 0, 3], drifts=[0.05, 3]),
        *rl.cusum_mean_run_lengths(0.1, 20, shifts=[-0.5, 0, 1], drifts=[0.1]),
        *rl.cusum_mean_run_lengths(0.5, 5, head_start=5, shifts=[0, 1], drifts=[0.1]),
        *rl.ewma_mean_run_lengths(0.1, 3, shifts=[0, 1], drifts=[0.1, 3]),
        *rl.ewma_mean_run_lengths(0.03, 2.5, limits="varying", shifts=[0, 1], drifts=[0.1, 3]),
        *rl.ewma_mean_run_lengths(0.9, 3, shifts=[0, 1], drifts=[0.1, 3]),
    ])


def test_twice_the_nodes_change_nothing(monkeypatch):
    """The quadrature has converged: twice as many nodes move no run length by more than 1e-10."""
    known = everything()
    for module in (cusum, ewma, paired_start):
        monkeypatch.setattr(module, "nodes_for", lambda width: 32 + math.ceil(3.6 * width))
    assert everything() == pytest.approx(known, rel=1e-10)


@pytest.mark.parametrize("compute", [
    lambda: rl.cusum_mean_run_lengths(0.5, 7, head_start=3, drifts=[-1e-5]),
    lambda: rl.cusum_mean_run_lengths(0.5, 7, sides=1, drifts=[5e-6]),
    lambda: rl.ewma_mean_run_lengths(0.1, 3.5, drifts=[5e-6]),
    lambda: rl.ewma_mean_run_lengths(0.1, 3.7, limits="varying", drifts=[5e-6, 1.5e-5]),
    lambda: rl.shewhart_mean_run_lengths(4, rules=[1, 2], warning=3.2, drifts=[5e-6]),
])
def test_blocks_of_a_slow_drift_agree_with_single_readings(compute, monkeypatch):
    """A drift taken in blocks differs from the same one taken reading by reading by less than 1e-5."""
    taken = []
    monkeypatch.setattr(process, "blocks_mean", lambda *given: taken.append(given[-1]) or slow_drift.blocks_mean(*given))
    in_blocks = compute()
    assert len(taken) == len(in_blocks)
    monkeypatch.setattr(process, "doublings", lambda *_: 0)
    assert in_blocks == pytest.approx(compute(), rel=1e-5)


def test_drift_grows_from_nothing_to_a_shift():
    """A vanishing drift has the in-control run length, and run lengths fall as the drift grows, on either side."""
    lengths = rl.cusum_mean_run_lengths(0.5, 5, shifts=[0], drifts=[0, 1e-9, 1e-4, 1e-2, 1])
    assert lengths[1] == pytest.approx(lengths[0], rel=1e-12)
    assert lengths[2] == pytest.approx(lengths[0], rel=1e-5)
    assert (np.diff(lengths[2:]) < 0).all()
    for compute in (lambda x: rl.cusum_mean_run_lengths(0.5, 5, drifts=[x], shifts=[x]),
                    lambda x: rl.ewma_mean_run_lengths(0.2, 3, drifts=[x], shifts=[x]),
                    lambda x: rl.shewhart_mean_run_lengths(3, rules=[1, 4], drifts=[x], shifts=[x])):
        assert compute(-0.3) == pytest.approx(compute(0.3), rel=1e-10)


def test_upper_cusum_under_a_falling_mean_has_no_mean_run_length():
    """With some probability the upper arm never signals under a falling mean; a low constant mean is only rare."""
    assert rl.cusum_mean_run_lengths(0.5, 5, sides=1, drifts=[-0.1]) == [math.inf]
    rare = rl.cusum_mean_run_lengths(0.5, 5, sides=1, shifts=[-3, -5])
    # Wald: one crossing has probability about exp(2(mean − k)h), so two more sigma lengthen it by about e^20.
    assert math.log(rare[1] / rare[0]) == pytest.approx(20, abs=1)


def test_equal_charts_agree():
    """An EWMA of weight 1, a CUSUM of threshold 0 and a Shewhart chart are the same chart."""
    for mean in (0.0, 1.3):
        shewhart = rl.shewhart_mean_run_lengths(3.1, shifts=[mean], drifts=[0.1])
        assert rl.ewma_mean_run_lengths(1.0, 3.1, shifts=[mean], drifts=[0.1]) == pytest.approx(shewhart, rel=1e-10)
        assert rl.cusum_mean_run_lengths(3.1, 0.0, shifts=[mean], drifts=[0.1]) == pytest.approx(shewhart, rel=1e-10)


def test_rare_signals_keep_their_accuracy():
    """Run lengths of 10¹⁴ come out exactly: weight 1 and limit 8 against the normal tail."""
    exact = 1.0 / math.erfc(8 / math.sqrt(2))
    assert rl.ewma_mean_run_lengths(1.0, 8.0, shifts=[0])[0] == pytest.approx(exact, rel=1e-10)
    assert rl.shewhart_mean_run_lengths(8.0, shifts=[0])[0] == pytest.approx(exact, rel=1e-10)


@pytest.mark.parametrize("arl0", [50.0, 370.4, 1000.0, 20_000.0])
def test_thresholds_give_the_run_length_asked_for(arl0):
    """The threshold found gives back the mean run length in control, for every chart."""
    for k in (0.1, 0.5, 1.5):
        for sides in (1, 2):
            h = rl.cusum_threshold(k, arl0, sides=sides)
            assert rl.cusum_mean_run_lengths(k, h, sides=sides, shifts=[0])[0] == pytest.approx(arl0, rel=1e-9)
        h = rl.cusum_threshold(k, arl0, head_start_share=0.5)
        assert rl.cusum_mean_run_lengths(k, h, head_start=h / 2, shifts=[0])[0] == pytest.approx(arl0, rel=1e-9)
    for limits in ("fixed", "varying"):
        limit = rl.ewma_limit(0.2, arl0, limits=limits)
        assert rl.ewma_mean_run_lengths(0.2, limit, limits=limits, shifts=[0])[0] == pytest.approx(arl0, rel=1e-9)
    assert rl.shewhart_mean_run_lengths(rl.shewhart_limit(arl0), shifts=[0])[0] == pytest.approx(arl0, rel=1e-9)
    assert rl.scatter_mean_run_length(1.4597, rl.scatter_threshold(1.4597, arl0, clip=3), clip=3) == pytest.approx(
        arl0, rel=1e-9)


def test_likelihood_thresholds_in_nats():
    """Two-sided, ARL0 1000: 4.97, 5.76 and 6.02 nats for k = 0.25, 0.5 and 1, computed before by other code."""
    nats = [rl.likelihood_threshold_nats(k, 1000) for k in (0.25, 0.5, 1.0)]
    assert nats == pytest.approx([4.97, 5.76, 6.02], abs=0.005)


@pytest.mark.parametrize("head_start", [0.0, 2.0, 3.8])
def test_quantiles_are_those_of_the_survival_function(head_start):
    """Each quantile is the first reading by which the survival, taken reading by reading, has fallen far enough."""
    probabilities = [0.01, 0.1, 0.5, 0.9, 0.999]
    computed = rl.cusum_run_length_quantiles(0.5, 4, probabilities, head_start=head_start, shift=0.4)
    chart = TwoSided(0.5, 4.0, head_start)
    state, survival = chart.start(), [1.0]
    while survival[-1] > 5e-4:
        state = chart.step(state, 0.4)
        survival.append(chart.mass(state))
    expected = [int(np.argmax(np.array(survival) <= 1 - p)) for p in probabilities]
    assert computed == expected


@pytest.mark.parametrize(("h", "clip", "sd_ratio"), [(3.0, None, 1.0), (6.0, 3.0, 1.0), (8.0, 2.0, 1.4)])
def test_scatter_chart_agrees_with_simulation(h, clip, sd_ratio):
    """The piecewise collocation gives the simulated mean run length, clipped and not, in and out of control."""
    sums = np.zeros(RUNS)

    def step(x, alive):
        square = np.minimum(np.abs(sd_ratio * x), clip or math.inf) ** 2
        sums[alive] = np.maximum(0.0, sums[alive] + square - 1.4597)
        return sums[alive] > h

    mean, error = simulated(step, lambda _: 0.0, seed=16)
    assert rl.scatter_mean_run_length(1.4597, h, clip=clip, sd_ratio=sd_ratio) == pytest.approx(mean, abs=4 * error)


def test_scatter_threshold_known():
    """The chart k = 1.4597, h = 14.544 has a run length of 1000 in control, computed before by other code."""
    assert rl.scatter_mean_run_length(1.4597, 14.544) == pytest.approx(1000, abs=0.1)


@pytest.mark.parametrize("call", [
    lambda: rl.cusum_mean_run_lengths(-0.1, 5, shifts=[0]),
    lambda: rl.cusum_mean_run_lengths(0.5, 5, head_start=6, shifts=[0]),
    lambda: rl.cusum_mean_run_lengths(0.5, math.nan, shifts=[0]),
    lambda: rl.cusum_mean_run_lengths(0.5, 5, sides=3, shifts=[0]),
    lambda: rl.cusum_mean_run_lengths(0.5, 5, shifts=[0], after=1.5),
    lambda: rl.ewma_mean_run_lengths(0.0, 3, shifts=[0]),
    lambda: rl.ewma_mean_run_lengths(0.1, 3, limits="loose", shifts=[0]),
    lambda: rl.ewma_mean_run_lengths(0.1, 3, head_start=1.0, shifts=[0]),
    lambda: rl.shewhart_mean_run_lengths(3, rules=[5], shifts=[0]),
    lambda: rl.shewhart_mean_run_lengths(3, rules=[], shifts=[0]),
    lambda: rl.cusum_threshold(0.5, 1.5),
    lambda: rl.scatter_threshold(1.4597, 1000, clip=1.0),
])
def test_impossible_parameters_are_refused_in_words(call):
    """A parameter out of its range raises UserError that says which one and what it may be."""
    with pytest.raises(UserError, match=r"must|could never|no threshold"):
        call()
