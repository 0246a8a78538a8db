"""How the response's part of the budget is shared between falls and rises, and over the life of a unit."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.charts.budget import LOSS_SHARE, run_lengths_of_sides, threshold_nats
from analytics.charts.running import running_sums
from tests.charts.plain_rows import core_chart, plain_rows

ARL0 = 150.0


@pytest.fixture(scope="module")
def sound():
    """Statistics of 4000 sound units of 36 checks, level unknown, walked with the thresholds in force: [side, unit, check]."""
    units, checks = 4000, 36
    rng = np.random.default_rng(11)
    rows = plain_rows([checks] * units, 0.02 * rng.standard_normal(units * checks))
    n = units * checks
    noise, none, known = np.full(n, 4e-4), np.full(n, np.nan), np.ones(n, bool)
    made = core_chart(
        rows, rows.y, noise, np.zeros(n), running_sums(rows, rows.y, noise, known, ~known), none, np.full(n, np.inf),
        run_lengths_of_sides(np.full(n, ARL0), rows.ordinal + 1.0), 0.0, 2,
    )
    return np.stack([made.ratio_low, made.ratio_high]).reshape(2, units, checks)


def test_the_false_alarm_rate_is_the_same_early_and_late(sound):
    """Of the units that have not signalled, one in ``ARL0`` does at each check, from the seventh on as after the twentieth."""
    quiet = ~np.maximum.accumulate(sound.max(axis=0) > 1.0, axis=1)
    for begin, end in ((6, 12), (12, 20), (20, 36)):
        at_risk = quiet[:, begin - 1 : end - 1].sum()
        signals = quiet[:, begin - 1].sum() - quiet[:, end - 1].sum()
        expected = at_risk / ARL0
        assert abs(signals - expected) < 0.25 * expected + 3.0 * np.sqrt(expected)


def test_rises_spend_what_falls_leave(sound):
    """Five first false alarms in six are falls."""
    first = (sound.max(axis=0) > 1.0).argmax(axis=1)
    unit = np.flatnonzero((sound.max(axis=0) > 1.0).any(axis=1))
    falls = (sound[0, unit, first[unit]] > sound[1, unit, first[unit]]).mean()
    assert abs(falls - LOSS_SHARE) < 3.0 * np.sqrt(LOSS_SHARE * (1.0 - LOSS_SHARE) / len(unit)) + 0.02


def test_both_sides_together_spend_what_an_even_chart_spends():
    """1/(2·low) + 1/(2·high) is 1/arl0; a threshold differs by the logarithm of the shares, to a tenth of a nat."""
    low, high = run_lengths_of_sides(np.array(1000.0))
    assert 0.5 / low + 0.5 / high == pytest.approx(1e-3)
    apart = threshold_nats(high, 0.5) - threshold_nats(low, 0.5)
    assert float(apart) == pytest.approx(np.log(LOSS_SHARE / (1.0 - LOSS_SHARE)), abs=0.1)


def test_one_check_alone_never_alarms_in_service():
    """With two checks asked for after a split, a lone one far off stays silent, and two that agree speak."""
    rows = plain_rows([12], [0.0, 0.01, -0.01, 0.0, 0.01, -0.01, 0.0, 0.0, -0.0799, 0.0, -0.07, -0.07])
    n, noise = 12, np.full(12, 4e-4)
    sums = running_sums(rows, rows.y, noise, np.ones(n, bool), np.zeros(n, bool))
    nan, inf = np.full(n, np.nan), np.full(n, np.inf)
    both = (np.full(n, 100.0), np.full(n, 100.0))
    made = core_chart(rows, rows.y, noise, np.zeros(n), sums, nan, inf, both, 0.0, 2)
    assert made.ratio_low[8] <= 1.0
    assert made.ratio_low[11] > 1.0
    alone = core_chart(rows, rows.y, noise, np.zeros(n), sums, nan, inf, both, 0.0, 1)
    assert alone.ratio_low[8] > 1.0
