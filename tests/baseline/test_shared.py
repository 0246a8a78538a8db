"""What a device did, as told by all probes read on it, in steps of thirty days."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from analytics.baseline.shared import BIN_DAYS, shared_movement
from tests.charts.plain_rows import plain_rows


def moved(lengths, residual, at=None, *, device=None, admitted=None, noise=1e-4, **how):
    """Movement of devices from residuals of units of one probe each."""
    rows = plain_rows(lengths, residual, at)
    n = len(rows.unit)
    return shared_movement(
        rows, SimpleNamespace(noise=np.full(n, noise)),
        np.zeros(n, np.int64) if device is None else np.asarray(device, np.int64),
        np.ones(n, bool) if admitted is None else admitted, np.asarray(residual, float), **how)


def test_each_bin_is_the_robust_mean_over_probes():
    """Six probes, two bins: 0 in the first, −5 % in the second; one probe far off moves neither."""
    at = np.tile(np.arange(8) * 7.5, 6)
    residual = np.where(at < BIN_DAYS, 0.0, -0.05).reshape(6, 8)
    residual[3] += 0.4
    made = moved([8] * 6, residual.ravel(), at)
    assert made.offset == pytest.approx([0.0, -0.05], abs=1e-3)
    assert made.probes.tolist() == [6, 6]
    assert made.ends_days.tolist() == [BIN_DAYS, 2 * BIN_DAYS]
    assert made.at_days == pytest.approx([11.25, 41.25])


def test_a_probe_speaks_with_one_voice_a_bin():
    """Twenty checks of one probe count no more than one of each other."""
    residual = np.concatenate([np.full(20, 0.02), [0.0], [0.0], [0.0], [0.0]])
    at = np.concatenate([np.linspace(0, 29, 20), [5.0], [6.0], [7.0], [8.0]])
    made = moved([20, 1, 1, 1, 1], residual, at)
    assert abs(made.offset[0]) < 0.008


@pytest.mark.parametrize(("probes", "seen"), [(1, 0), (2, 0), (3, 1)])
def test_too_few_probes_say_nothing(probes, seen):
    """Bins with fewer than three probes are left out."""
    assert len(moved([4] * probes, np.zeros(4 * probes)).offset) == seen


def test_devices_and_what_is_left_out():
    """Each device has its own rows; no device (−1), not admitted, and not known (NaN) are left out."""
    device = np.repeat([0, 0, 0, 1, 1, 1, -1], 3)
    residual = np.where(device == 1, 0.1, 0.0)
    residual[0] = np.nan
    admitted = np.ones(21, bool)
    admitted[4], residual[4] = False, 9.0
    made = moved([3] * 7, residual, device=device, admitted=admitted)
    assert made.device.tolist() == [0, 1]
    assert made.offset == pytest.approx([0.0, 0.1], abs=1e-9)
    assert (made.sd > 0).all()


def test_bins_stand_by_the_calendar_and_not_by_the_first_reading():
    """Bins are counted from 1970: readings added later, or one device more, move no earlier bin."""
    rng = np.random.default_rng(1)
    at = np.tile(19_003.0 + 7.0 * np.arange(30), 5)
    residual = 0.01 * rng.standard_normal(150)
    whole = moved([30] * 5, residual, at)
    early = at < 19_003.0 + 7.0 * 17
    part = moved([17] * 5, residual[early], at[early])
    closed = part.ends_days <= at[early].max()
    assert closed.sum() >= 3
    for name in ("offset", "sd", "at_days", "probes"):
        assert (getattr(part, name)[closed] == getattr(whole, name)[: len(closed)][closed]).all()
    assert (whole.ends_days % BIN_DAYS == 0).all()


def test_nothing_recorded():
    """No row: no movement."""
    assert len(moved([], np.zeros(0)).offset) == 0
