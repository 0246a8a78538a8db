"""Real counts that are known to be plain Poisson must look so: NIST Dataplot, MARSHAK.DAT, 211 nuclear counts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics import settings
from analytics.counting import Counted, count_records, expected_log_var, precision
from analytics.records import snapshot
from analytics.records.snapshot import Records

DATA = Path(__file__).parent / "data" / "nist_nuclear_counts.csv"


@pytest.fixture(scope="module")
def counts() -> np.ndarray:
    """The 211 counts, in order."""
    return pd.read_csv(DATA)["counts"].to_numpy(float)


def _counted(counts: np.ndarray, step: str) -> Counted:
    table = Records.table
    readings = pd.DataFrame({
        "reading_id": np.arange(len(counts)), "probe": "P", "window": "w", "measurement": "source", "source": "S",
        "taken_at": pd.date_range("2024-01-01", periods=len(counts), freq=step), "counts": counts,
        "count_time_s": 10.0})
    records = Records(
        1, table(snapshot.READINGS, readings), table(snapshot.PROBES, {"probe": ["P"], "site": ["A"]}),
        table(snapshot.SOURCES, {"source": ["S"], "nuclide": ["I-129"], "reference_at": ["2024-01-01"]}),
        table(snapshot.WINDOWS), table(snapshot.EVENTS), table(snapshot.INSPECTIONS), table(snapshot.USES),
        table(snapshot.OUTCOMES), table(snapshot.DECISIONS))
    return count_records(records, settings.load())


def test_the_data_are_those_of_the_handbook(counts: np.ndarray) -> None:
    """211 counts with mean 22,380 and variance over mean 1.065 (project methods §9)."""
    assert len(counts) == 211
    assert counts.mean() == pytest.approx(22_380, abs=0.5)
    assert counts.var(ddof=1) / counts.mean() == pytest.approx(1.065, abs=5e-4)


def test_as_repeats_of_one_placement_they_pass_chi_square(counts: np.ndarray) -> None:
    """Taken as 211 repeats of one check, chi-square is 1.065 a degree of freedom, inside the limits that hold 90 %."""
    points = _counted(counts, "10s").response
    assert len(points) == 1
    assert points.repeats.tolist() == [211]
    assert points.chi_square_dof.tolist() == [210]
    low, high = precision.chi_square_limits(210, 0.90)
    assert points.chi_square[0] / 210 == pytest.approx(1.065, abs=5e-4)
    assert low < points.chi_square[0] < high


def test_as_single_checks_they_scatter_as_their_variance_says(counts: np.ndarray) -> None:
    """Taken as 211 daily checks, the logarithms scatter as their counting variance says: z² averages 1.065."""
    points = _counted(counts, "1D").response
    assert len(points) == 211
    centre = np.full(211, points.log_response.mean())
    z = (points.log_response - centre) / np.sqrt(expected_log_var(points, centre))
    assert (z**2).sum() / 210 == pytest.approx(1.065, abs=0.01)
    low, high = precision.chi_square_limits(210, 0.90)
    assert low < (z**2).sum() < high
