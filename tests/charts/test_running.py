"""What was known up to each row."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.charts.outliers import find_outliers
from analytics.charts.running import running_sums
from tests.charts.plain_rows import plain_rows


def test_sums_are_of_the_admitted_checks_known_by_then():
    """Σ 1/v, Σ x/v and number of checks up to each row, by a plain loop: an outlier enters with what confirms it."""
    rng = np.random.default_rng(1)
    x = 0.003 * rng.standard_normal(20)
    x[7] = 0.3  # a blunder
    x[12:14] = -0.2, -0.19  # two in a row
    rows, noise = plain_rows([20], x), np.full(20, 1e-4)
    seen = find_outliers(rows, x, noise, np.zeros(20))
    sums = running_sums(rows, x, noise, seen.admitted, seen.pending)
    for row in range(20):
        known = [i for i in range(row + 1) if i != 7 and not (i == 12 and row == 12)]
        assert sums.checks[row] == pytest.approx(len(known))
        assert sums.weight[row] == pytest.approx(len(known) / 1e-4)
        assert sums.weighted[row] == pytest.approx(((x[known] - x[0]) / 1e-4).sum(), abs=1e-6)


def test_the_run_counts_the_weight_on_the_present_source():
    """Weight since the source came into use: starts anew with every change of source, and with every unit."""
    source = [0, 0, 1, 1, 1, 0, 0, 0, 1]
    rows = plain_rows([6, 3], np.zeros(9), source=source)
    noise, yes = np.ones(9), np.ones(9, bool)
    sums = running_sums(rows, rows.y, noise, yes, ~yes)
    assert sums.run_weight.tolist() == pytest.approx([1, 2, 1, 2, 3, 1, 1, 2, 1])


def test_no_rows():
    """Nothing read: empty sums."""
    none = np.zeros(0)
    assert len(running_sums(plain_rows([], none), none, none, none > 0, none > 0).run_weight) == 0
