"""The placing spread: from differences of neighbours, shrunk to the fleet's, and no wider than it was."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from analytics.baseline.noise import CLIP, CLIPPED_MEAN, FLOOR, PlacingSpread

PRIOR = 0.01**2


def learnt(truth, differences, counting, *, prior_checks=20.0, seed=1, spoil=None, blocks=4):
    """Placing spread of each unit after so many differences of successive checks, taken in block by block."""
    rng = np.random.default_rng(seed)
    units = len(truth)
    placed = np.sqrt(truth)[:, None] * rng.standard_normal((units, differences + 1))
    y = placed + np.sqrt(counting) * rng.standard_normal((units, differences + 1))
    if spoil is not None:
        spoil(y)
    d = np.diff(y, axis=1)
    spread, now = PlacingSpread.empty(units), np.full(units, PRIOR)
    for part in np.array_split(np.arange(differences), blocks):
        unit = np.repeat(np.arange(units), len(part))
        spread.add(unit, d[:, part].ravel(), np.full(len(unit), 2 * counting), now[unit], 10_000)
        now, fleet = spread.estimate(PRIOR, prior_checks)
    return now, fleet


@pytest.mark.parametrize("counting", [1e-6, 0.5e-4])
def test_the_fleets_spread_is_found(counting):
    """Sixty units of 1.3 % placing: the fleet's own is found to a tenth, with few counts or many."""
    _, fleet = learnt(np.full(60, 0.013**2), 40, counting)
    assert np.sqrt(fleet) == pytest.approx(0.013, rel=0.1)


def test_own_differences_win_over_the_fleet_as_they_come():
    """A unit of 2 % in a fleet of 0.8 %: with few differences near the fleet, with many near its own."""
    truth = np.full(40, 0.008**2)
    truth[0] = 0.02**2
    few, many = (np.sqrt(learnt(truth, n, 1e-6)[0]) for n in (4, 300))
    assert few[0] < many[0]
    assert many[0] == pytest.approx(0.02, rel=0.12)
    assert many[1:].mean() == pytest.approx(0.008, rel=0.1)


def test_shrinkage_comes_nearer_to_the_truth():
    """Over units of 0.6 to 1.4 %, twenty differences shrunk to the fleet are nearer to the truth than unshrunk."""
    truth = np.random.default_rng(3).uniform(0.006, 0.014, 300) ** 2
    shrunk, alone = (learnt(truth, 20, 2e-5, prior_checks=p)[0] for p in (20.0, 1e-9))

    def miss(made):
        return np.sqrt(np.mean((np.sqrt(made) - np.sqrt(truth)) ** 2))

    assert miss(shrunk) < 0.85 * miss(alone)
    assert np.corrcoef(np.sqrt(shrunk), np.sqrt(truth))[0, 1] > 0.5


def test_a_drift_does_not_widen_it():
    """A loss of half a per cent a check beside placing of 1 %: differences take it for little."""
    def drift(y):
        y -= 0.005 * np.arange(y.shape[1])

    made, _ = learnt(np.full(30, 0.01**2), 60, 1e-6, spoil=drift)
    assert np.sqrt(made).mean() == pytest.approx(0.01, rel=0.15)


def test_a_blunder_widens_it_by_little():
    """One check of forty 40 % off moves a unit's spread by less than a fifth."""
    def blunder(y):
        y[:, 20] -= 0.4

    truth = np.full(30, 0.01**2)
    with_it, without = learnt(truth, 39, 1e-6, spoil=blunder)[0], learnt(truth, 39, 1e-6)[0]
    assert np.sqrt(with_it / without).max() < 1.2


def test_it_stops_growing_once_full():
    """After ``most`` differences nothing more is taken in: a cable that begins to cut out does not widen its limits."""
    spread = PlacingSpread.empty(1)
    zero = np.zeros(10, np.int64)
    spread.add(zero, np.full(10, 0.014), np.zeros(10), np.full(10, PRIOR), 10)
    before, _ = spread.estimate(PRIOR, 20.0)
    spread.add(zero, np.full(10, 0.5), np.zeros(10), np.full(10, PRIOR), 10)
    assert (spread.estimate(PRIOR, 20.0)[0] == before).all()
    assert spread.differences.tolist() == [10.0]


def test_with_nothing_seen_it_is_the_prior_and_never_below_the_floor():
    """No differences: the prior for all; differences smaller than counting explains: the floor, not less."""
    made, fleet = PlacingSpread.empty(3).estimate(PRIOR, 20.0)
    assert made == pytest.approx(np.full(3, PRIOR))
    assert fleet == PRIOR
    spread = PlacingSpread.empty(1)
    spread.add(np.zeros(200, np.int64), np.zeros(200), np.full(200, 2e-4), np.full(200, PRIOR), 1000)
    assert spread.estimate(PRIOR, 1.0)[0] >= FLOOR
    assert len(PlacingSpread.empty(0).estimate(PRIOR, 20.0)[0]) == 0


def test_what_clipping_takes_is_given_back():
    """E[min(z², c²)] of a standard normal, by simulation, is the constant it is divided by."""
    z = np.random.default_rng(7).standard_normal(2_000_000)
    assert np.minimum(z**2, CLIP**2).mean() == pytest.approx(CLIPPED_MEAN, abs=0.004)
    exact = integrate.quad(lambda t: min(t * t, CLIP**2) * stats.norm.pdf(t), -12, 12, points=[-CLIP, CLIP])[0]
    assert exact == pytest.approx(CLIPPED_MEAN, rel=1e-4)


def test_units_without_differences_change_no_digit():
    """Units that are yet to come, wherever they stand in the order, leave every other unit's spread as it was."""
    rng = np.random.default_rng(9)
    for _ in range(300):
        units = int(rng.integers(5, 60))
        some = PlacingSpread(*rng.uniform([[0.0], [5.0], [6.0]], [[1e-3], [20.0], [40.0]], (3, units)))
        place = np.sort(rng.permutation(2 * units)[:units])
        more = PlacingSpread.empty(2 * units)
        more.weighted[place], more.weights[place], more.differences[place] = (
            some.weighted, some.weights, some.differences)
        (one, fleet), (other, same) = some.estimate(PRIOR, 20.0), more.estimate(PRIOR, 20.0)
        assert fleet == same
        assert (other[place] == one).all()
