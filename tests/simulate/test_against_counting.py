"""Two sets of physics written apart, the simulator's and the analysis's, agree on what was measured."""

import numpy as np
import pytest

from analytics import settings
from analytics.counting import count_records
from analytics.simulate import scoring_fleet, to_records


@pytest.fixture(scope="module")
def residuals():
    """ln(response by the analysis over the true one) of every check in the Co-57 window, with its variance."""
    mix = {"efficiency_loss": 0.2, "gain_drift": 0.2, "step": 0.2}
    fleet = scoring_fleet(21, probes=60, years=2.5, bad_source=False, blunder_rate=0.0, mix=mix, jig_knocked=True)
    counted = count_records(to_records(fleet), settings.load())
    found, names = counted.response, counted.names
    probe = np.array(names.probe)[found.keys.probe[found.series]]
    window = np.array(names.window)[found.keys.window[found.series]]
    truth = fleet.truth.checks[fleet.truth.checks["window"] == "Co-57"]
    truth = truth.assign(day=truth["taken_at"].dt.date).set_index(["probe", "day"])
    probes, sources = fleet.truth.probes.set_index("probe"), fleet.truth.sources.set_index("source")
    kept = np.flatnonzero(window == "Co-57")
    day = found.first_at[kept].astype("datetime64[D]").tolist()
    true = truth.loc[list(zip(probe[kept], day, strict=True))]
    sensitivity = probes.loc[probe[kept], "sensitivity_cps_per_kbq"].to_numpy()
    factor = sources.loc[true["source"], "activity_factor"].to_numpy() * true["jig_factor"].to_numpy()
    expected = sensitivity * factor * true["response_pct"].to_numpy() / 100.0
    placing = (probes.loc[probe[kept], "repositioning_pct"].to_numpy() / 100.0) ** 2 / found.placements[kept]
    return found.log_response[kept] - np.log(expected), found.log_var[kept] + placing


def test_responses_are_the_true_ones_on_average(residuals):
    """The mean residual is 0 within 4 standard errors and the 0.04 % that the two half-lives differ by."""
    off, variance = residuals
    assert len(off) > 5_000
    weights = 1.0 / variance
    assert abs(np.average(off, weights=weights)) < 4 / np.sqrt(weights.sum()) + 4e-4


def test_variances_are_the_true_ones(residuals):
    """Residuals over their stated counting variance plus the true repositioning have variance 1 within 5 %."""
    off, variance = residuals
    assert (off**2 / variance).mean() == pytest.approx(1.0, rel=0.05)
