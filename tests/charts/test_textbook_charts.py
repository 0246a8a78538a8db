"""What every sequential chart must keep: blocks give the same digits, unused checks change nothing."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.charts.counts import c_chart_limits, laney_u
from analytics.charts.cusum import likelihood_cusum, tabular_cusum
from analytics.charts.ewma import ewma
from analytics.charts.scatter import repeat_dispersion, scatter_cusum
from analytics.charts.shewhart import individuals_limits, outside_limits, run_rules, standardise


def fleet(seed, series=5, checks=40):
    """Residuals with gaps and NaN where unused, and unequal variances."""
    rng = np.random.default_rng(seed)
    z = 1.5 * rng.standard_normal((series, checks))
    used = rng.random((series, checks)) < 0.8
    variance = rng.uniform(0.2, 3.0, (series, checks))
    return np.where(used, z, np.nan), used, np.where(used, variance, np.nan)


def run_all(z, used, variance, state):
    """Every sequential chart on one block: {name: (arrays by check, state)}."""
    shifts = np.array([0.5, 1.0, 2.0])
    tabular = tabular_cusum(z, used, 0.5, 3.0, head_start=1.0, state=state.get("tabular"))
    resetting = tabular_cusum(z, used, 0.5, 3.0, reset=True, state=state.get("resetting"))
    nats = likelihood_cusum(z, variance, used, shifts, state=state.get("nats"))
    level = ewma(z, used, 0.2, variance=variance, state=state.get("level"))
    scatter = scatter_cusum(z, used, clip=3.0, state=state.get("scatter"))
    rules = run_rules(z, used, state=state.get("rules"))
    arrays = {
        "tabular": (tabular.high, tabular.low, tabular.signal, tabular.rise_since, tabular.fall_since),
        "resetting": (resetting.high, resetting.low, resetting.signal, resetting.rise_since),
        "nats": (nats.statistic, nats.since),
        "level": (level.level, level.sd),
        "scatter": (scatter.statistic, scatter.since),
        "rules": (rules.signal,),
    }
    after = {"tabular": tabular, "resetting": resetting, "nats": nats, "level": level, "scatter": scatter,
             "rules": rules}
    return arrays, {name: chart.state for name, chart in after.items()}


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), cuts=st.lists(st.integers(0, 40), max_size=4))
def test_blocks_give_the_same_digits_as_one_pass(seed, cuts):
    """However the checks are cut into blocks, every chart's numbers are identical to the last bit."""
    z, used, variance = fleet(seed)
    whole, _ = run_all(z, used, variance, {})
    edges = [0, *sorted(cuts), z.shape[1]]
    pieces, state = [], {}
    for begin, end in pairwise(edges):
        block = slice(begin, end)
        arrays, state = run_all(z[:, block], used[:, block], variance[:, block], state)
        pieces.append(arrays)
    for name, arrays in whole.items():
        for part, array in enumerate(arrays):
            joined = np.concatenate([piece[name][part] for piece in pieces], axis=-1)
            assert np.array_equal(joined, array), name


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_unused_checks_change_nothing(seed):
    """Each series gives at its used checks exactly what it gives alone with the unused ones taken out."""
    z, used, variance = fleet(seed)
    whole, _ = run_all(z, used, variance, {})
    for series in range(len(z)):
        here = used[series]
        alone, _ = run_all(z[series : series + 1, here], np.ones((1, here.sum()), bool),
                           variance[series : series + 1, here], {})
        for name, arrays in whole.items():
            for part, array in enumerate(arrays):
                assert np.array_equal(array[..., series, here], alone[name][part][..., 0, :]), name


def test_unused_check_repeats_the_statistic():
    """At an unused check, a NaN included, the statistic of the check before stands."""
    z, used = np.array([[2.0, np.nan, 2.0]]), np.array([[True, False, True]])
    assert tabular_cusum(z, used, 0.5, 5.0).high.tolist() == [[1.5, 1.5, 3.0]]
    assert ewma(z, used, 0.5).level.tolist() == [[1.0, 1.0, 1.5]]


@pytest.mark.parametrize(("rule", "readings", "at"), [
    (1, [0.0, 3.1, -3.1], {1: 1, 2: -1}),
    (2, [2.1, -0.5, 2.1, 0.0, 2.1], {2: 1, 4: 1}),
    (2, [2.1, -2.1, 0.0, -2.1], {3: -1}),
    (3, [1.1, 1.1, -3.0, 1.1, 1.1], {4: 1}),
    (3, [1.1, 1.1, 0.0, 0.0, 1.1, 1.1], {}),
    (4, [-0.1] * 9 + [0.1], {7: -1, 8: -1}),
    (4, [0.1] * 7 + [-0.1], {}),
])
def test_run_rule_signals_where_it_is_completed(rule, readings, at):
    """Western Electric rules (NIST/SEMATECH e-Handbook 6.3.2): the reading that completes the pattern signals."""
    z = np.array([readings])
    signal = run_rules(z, np.ones(z.shape, bool), rules=[rule]).signal[0, 0]
    assert {int(t): int(signal[t]) for t in np.flatnonzero(signal)} == at


def test_likelihood_cusum_is_the_largest_log_likelihood_ratio():
    """With unequal variances the sum equals the largest log likelihood ratio over all starts, found by trying all."""
    rng = np.random.default_rng(4)
    y, v, d = rng.normal(0.3, 1.0, 30), rng.uniform(0.2, 4.0, 30), 0.7
    chart = likelihood_cusum(y[None], v[None], np.ones((1, 30), bool), np.array([d]))
    gains = (y**2 - (y - d) ** 2) / (2 * v)
    for t in range(30):
        tried = [gains[start : t + 1].sum() for start in range(t + 1)]
        assert chart.statistic[0, 1, 0, t] == pytest.approx(max(0.0, *tried), abs=1e-12)
        if max(tried) > 0:
            assert chart.since[0, 1, 0, t] == np.argmax(tried) + 1


def test_likelihood_cusum_takes_shifts_by_series():
    """A size for each series gives what each series gives with its own size."""
    z, used, variance = fleet(7)
    sizes = np.linspace(0.2, 1.0, len(z))[None]
    together = likelihood_cusum(z, variance, used, sizes)
    for series in range(len(z)):
        one = slice(series, series + 1)
        alone = likelihood_cusum(z[one], variance[one], used[one], sizes[:, series])
        assert np.array_equal(together.statistic[:, :, one], alone.statistic)


def test_ewma_spread_is_that_of_its_weights():
    """The running standard deviation equals √Σ(weightᵢ² vᵢ), and with equal variances reaches √(w/(2 − w))."""
    v = np.array([[1.0, 4.0, 0.25]])
    weights = np.array([0.3 * 0.7**2, 0.3 * 0.7, 0.3])
    chart = ewma(np.zeros((1, 3)), np.ones((1, 3), bool), 0.3, variance=v)
    assert chart.sd[0, 2] == pytest.approx(np.sqrt((weights**2 * v[0]).sum()))
    long = ewma(np.zeros((1, 300)), np.ones((1, 300), bool), 0.3)
    assert long.sd[0, -1] == pytest.approx(long.sd_settled[0, -1])


def test_resetting_cusum_starts_anew_after_a_signal():
    """With reset, both arms go on from the head start after a signal; without, they go on from where they are."""
    z = np.full((1, 6), 2.0)
    used = np.ones(z.shape, bool)
    assert tabular_cusum(z, used, 0.5, 4.0, reset=True).high.tolist() == [[1.5, 3.0, 4.5, 1.5, 3.0, 4.5]]
    assert tabular_cusum(z, used, 0.5, 4.0).high.tolist() == [[1.5, 3.0, 4.5, 6.0, 7.5, 9.0]]


def test_one_blunder_does_not_signal_scatter_by_itself():
    """A clipped outlier raises the scatter sum by clip² − k and no more."""
    z = np.array([[0.0, 40.0, 0.0]])
    used = np.ones(z.shape, bool)
    assert scatter_cusum(z, used, k=1.5, clip=3.0).statistic.tolist() == [[0.0, 7.5, 6.0]]
    assert scatter_cusum(z, used, k=1.5).statistic[0, 1] == 40.0**2 - 1.5


def test_standardise_gives_nan_where_nothing_is_known():
    """A zero, negative or missing variance gives NaN and never an infinite residual."""
    z = standardise(np.array([1.0, 1.0, 1.0, np.nan]), np.array([4.0, 0.0, np.nan, 1.0]))
    assert z[0] == 0.5
    assert np.isnan(z[1:]).all()


def test_outside_limits_names_the_side():
    """A value on the limit is inside; beyond it the side is named; NaN and unused never signal."""
    z = np.array([[3.0, 3.01, -3.01, np.nan, 9.0]])
    assert outside_limits(z, np.array([[True, True, True, True, False]])).tolist() == [[0, 1, -1, 0, 0]]


def test_few_or_constant_values_give_no_false_limits():
    """One value has no limits (NaN), constant values have limits on the centre, no events at all give NaN."""
    assert np.isnan(individuals_limits(np.array([5.0])).high)
    assert individuals_limits(np.array([5.0, 5.0, 5.0])).high == 5.0
    assert np.isnan(laney_u(np.zeros(4), np.ones(4)).sigma_z)
    assert c_chart_limits(4.0).low == 0.0


def test_dispersion_of_repeats_sees_too_much_and_too_little():
    """Chi-square limits 3.325 and 16.919 for ten repeats (printed table) each leave 5 % of sound checks outside."""
    rng = np.random.default_rng(2)
    counts = rng.poisson(1000.0, (20_000, 10)).astype(float)
    used = np.ones(counts.shape, bool)
    result = repeat_dispersion(counts, used)
    assert (result.degrees == 9).all()
    assert (result.chi_square > 16.919).mean() == pytest.approx(0.05, abs=0.006)
    assert (result.chi_square < 3.325).mean() == pytest.approx(0.05, abs=0.006)
    assert ((result.p_high < 0.05) == (result.chi_square > 16.919)).mean() > 0.9999
    stuck = repeat_dispersion(np.full((1, 10), 1000.0), np.ones((1, 10), bool))
    assert stuck.p_low[0] == 0.0
    lone = repeat_dispersion(np.array([[5.0, 9.0]]), np.array([[True, False]]))
    assert np.isnan(lone.chi_square[0])
