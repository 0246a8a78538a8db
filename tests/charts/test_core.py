"""The chart core against plain loops over every split, and what it must not do."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.charts.budget import SIZES_K, threshold_nats
from analytics.charts.core import interval_days, split_distances
from analytics.charts.split_search import LEAST_AFTER, LEAST_BEFORE
from tests.charts.plain_rows import chart, plain_rows

ARL0 = 1000.0


def thresholds():
    """Threshold of each size in nats."""
    return [float(threshold_nats(np.array(ARL0), k)) for k in SIZES_K]


def splits(i):
    """First row after each split that the core looks at from row i: enough checks on either side."""
    return [i - m + 1 for m in split_distances(i + 1) if m >= LEAST_AFTER and i - m + 1 >= LEAST_BEFORE]


def by_loops(y, v, score):
    """Largest ratio low and high at every row; ``score(i, s)`` gives Δ and s² of the split before row s."""
    out = np.zeros((2, len(y)))
    for i in range(len(y)):
        for s in splits(i):
            delta, variance = score(i, s)
            for k, h in zip(SIZES_K, thresholds(), strict=True):
                d = 2 * k * np.sqrt(v[i])
                side = int(delta > 0)
                out[side, i] = max(out[side, i], (d * abs(delta) - d * d / 2) / variance / h)
    return out


@pytest.fixture(scope="module")
def unequal():
    """Sixty residuals whose variances span a factor of ten, with a fall from the fortieth on."""
    rng = np.random.default_rng(2)
    v = 0.01**2 * np.geomspace(1.0, 10.0, 60)
    return np.sqrt(v) * rng.standard_normal(60) - 0.035 * (np.arange(60) >= 40), v


def test_known_reference_is_the_likelihood_ratio_of_every_split(unequal):
    """With a known reference each split's statistic is Σ (d·y − d²/2)/v over the checks after it."""
    y, v = unequal
    made = chart(plain_rows([60], y), v, reference=0.0, reference_variance=0.0)

    def score(i, s):
        w = 1 / v[s : i + 1]
        return (w * y[s : i + 1]).sum() / w.sum(), 1 / w.sum()

    low, high = by_loops(y, v, score)
    assert made.ratio_low == pytest.approx(low, rel=1e-9, abs=1e-12)
    assert made.ratio_high == pytest.approx(high, rel=1e-9, abs=1e-12)
    assert made.against_reference[low > 0.2].all()
    assert (low > 1).any()


def test_known_reference_is_three_cusums_up_to_the_grid():
    """With equal variances it is the largest of the Page CUSUMs over thresholds, to what the grid leaves out."""
    rng = np.random.default_rng(3)
    y = 0.01 * (rng.standard_normal(150) + 0.8 * (np.arange(150) >= 100))
    made = chart(plain_rows([150], y), 1e-4, reference=0.0, reference_variance=0.0)
    best = np.zeros(150)
    for k, h in zip(SIZES_K, thresholds(), strict=True):
        d, s = 2 * k * 0.01, 0.0
        for i in range(150):
            s = max(0.0, s + (d * y[i] - d * d / 2) / 1e-4)
            best[i] = max(best[i], s / h)
    assert (made.ratio_high <= best + 1e-12).all()
    plain, core = np.flatnonzero(best > 1), np.flatnonzero(made.ratio_high > 1)
    assert plain[0] > 100
    assert core[0] - plain[0] <= 1
    late = best > 0.7
    late[: LEAST_BEFORE + LEAST_AFTER] = False
    assert late.sum() > 30
    assert np.abs(made.ratio_high[late] / best[late] - 1).mean() < 0.05
    assert made.ratio_high[late] == pytest.approx(best[late], rel=0.15)


def test_unknown_reference_is_the_difference_of_means(unequal):
    """Without a reference each split's statistic is that of mean after − mean before with variance 1/W₁ + 1/W₂."""
    y, v = unequal
    made = chart(plain_rows([60], y), v)

    def score(i, s):
        before, after = 1 / v[:s], 1 / v[s : i + 1]
        delta = (after * y[s : i + 1]).sum() / after.sum() - (before * y[:s]).sum() / before.sum()
        return delta, 1 / after.sum() + 1 / before.sum()

    low, high = by_loops(y, v, score)
    assert made.ratio_low == pytest.approx(low, rel=1e-9, abs=1e-12)
    assert made.ratio_high == pytest.approx(high, rel=1e-9, abs=1e-12)
    assert not made.against_reference.any()


def test_the_level_itself_does_not_matter():
    """Adding a constant to all checks changes nothing where no reference is known (beyond rounding)."""
    rng = np.random.default_rng(4)
    y = 0.01 * rng.standard_normal(50)
    one, other = (chart(plain_rows([50], y + shift), 1e-4) for shift in (0.0, 7.5))
    assert other.ratio_low == pytest.approx(one.ratio_low, rel=1e-6, abs=1e-9)


def test_low_and_high_are_mirror_images(unequal):
    """Turned upside down, the low side reads what the high side read."""
    y, v = unequal
    one, other = chart(plain_rows([60], y), v), chart(plain_rows([60], -y), v)
    assert (one.ratio_low == other.ratio_high).all()
    assert (one.change_low == -other.change_high).all()
    assert (one.onset_row_low == other.onset_row_high).all()


def test_later_checks_change_no_digit(unequal):
    """What the core says at a check is, to the last digit, what it said when that check was the newest."""
    y, v = unequal
    whole = chart(plain_rows([60], y), v)
    for n in (7, 23, 45):
        part = chart(plain_rows([n], y[:n]), v[:n])
        assert (part.ratio_low == whole.ratio_low[:n]).all()
        assert (part.ratio_high == whole.ratio_high[:n]).all()


def test_other_units_change_no_digit(unequal):
    """A unit reads the same beside shorter and longer ones."""
    y, v = unequal
    alone = chart(plain_rows([60], y), v)
    rng = np.random.default_rng(5)
    company = chart(
        plain_rows([3, 60, 200], np.concatenate([[9.0, 9.1, 8.9], y, 0.02 * rng.standard_normal(200)])),
        np.concatenate([np.full(3, 1e-4), v, np.full(200, 4e-4)]))
    assert (company.ratio_low[3:63] == alone.ratio_low).all()
    assert (company.ratio_high[3:63] == alone.ratio_high).all()


@pytest.mark.parametrize("checks", [0, 1, 2, LEAST_BEFORE, LEAST_BEFORE + LEAST_AFTER - 1])
def test_too_few_checks_never_signal(checks):
    """With too few checks on either side of every split there is no statistic, whatever they read."""
    y = np.where(np.arange(checks) == checks - 1, 5.0, 0.0)
    made = chart(plain_rows([checks] if checks else [], y), 1e-4)
    assert made.ratio_high.tolist() == [0.0] * checks


def test_constant_checks_never_signal():
    """Checks alike to the last digit have a statistic of zero."""
    made = chart(plain_rows([80], np.full(80, 1.7)), 1e-4)
    assert made.ratio_low.max() == made.ratio_high.max() == 0.0


def test_a_change_within_the_dead_band_is_no_alarm():
    """A shift of 0.4 % under a dead band of 0.5 % never alarms, however many checks; without one it does."""
    y = np.where(np.arange(400) < 50, 0.0, 0.004)
    assert chart(plain_rows([400], y), 1e-5, dead_band=0.005).ratio_high.max() == 0.0
    assert chart(plain_rows([400], y), 1e-5).ratio_high.max() > 1.0


def test_what_a_new_source_may_be_off_by_is_no_alarm():
    """A step at a change of source is silent within its bridge's variance, and alarms within one source."""
    y = np.where(np.arange(60) < 30, 0.0, 0.03)
    source = (np.arange(60) >= 30).astype(int)
    bridged = chart(plain_rows([60], y, source=source), 1e-4, persistent=0.02**2)
    assert bridged.ratio_high.max() < 1.0
    assert chart(plain_rows([60], y), 1e-4, persistent=0.02**2).ratio_high.max() > 1.0
    assert chart(plain_rows([60], y, source=source), 1e-4).ratio_high.max() > 1.0


def test_a_reference_of_its_own_uncertainty_counts_for_less():
    """The wider the reference, the smaller the statistic against it."""
    y = np.full(20, 0.012)
    sure, unsure = (
        chart(plain_rows([20], y), 1e-4, reference=0.0, reference_variance=v).ratio_high[-1] for v in (0.0, 0.01**2))
    assert 0 < unsure < sure


def test_the_budget_is_kept():
    """Of 300 sound units 600 checks long at ARL0 1000 no more signal than the geometric law allows, nor far fewer."""
    rng = np.random.default_rng(6)
    made = chart(
        plain_rows([600] * 300, 0.01 * rng.standard_normal(180_000)), 1e-4, reference=0.0, reference_variance=0.0)
    ratio = np.maximum(made.ratio_low, made.ratio_high).reshape(300, 600)
    signalled = (ratio > 1.0).any(axis=1).mean()
    # 1 − exp(−0.6) = 0.451; three standard errors of a share of 300 are 0.086.
    assert 0.30 < signalled < 0.451 + 0.086


def test_onset_and_change_are_those_of_the_step():
    """A clean step of −8 % is dated to its first check and sized as it is."""
    rng = np.random.default_rng(7)
    y = 0.005 * rng.standard_normal(40) - 0.08 * (np.arange(40) >= 25)
    made = chart(plain_rows([40], y), 0.005**2)
    signal = np.flatnonzero(made.ratio_low > 1)
    assert 25 <= signal[0] <= 26
    assert made.onset_row_low[signal[0] + 2] == 25
    assert made.change_low[signal[0] + 2] == pytest.approx(-0.08, abs=0.01)


def test_split_distances_grow_geometrically():
    """Near splits are all looked at, far ones on a geometric grid, so that their number grows with the logarithm."""
    distances = np.array(split_distances(2000))
    assert (np.diff(distances) >= 1).all()
    assert (distances[1:] <= np.maximum(distances[:-1] + 1, 1.25 * distances[:-1])).all()
    assert distances[:6].tolist() == list(range(distances[0], distances[0] + 6))
    assert len(distances) < 70
    assert split_distances(0) == split_distances(1) == []


def test_interval_is_the_mean_so_far():
    """Mean days between the checks of a unit so far, at least a quarter of a day; a week where there is one check."""
    rows = plain_rows([4, 1], np.zeros(5), at_days=[0.0, 10.0, 14.0, 14.1, 3.0])
    assert interval_days(rows) == pytest.approx([7.0, 10.0, 7.0, 4.7, 7.0])
    assert interval_days(plain_rows([2], np.zeros(2), at_days=[0.0, 0.01])).tolist() == [7.0, 1.0 / 24.0]
