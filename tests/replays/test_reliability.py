"""Predicted against right: the bins, fed with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.fleet import assess
from analytics.replays.reliability import reliability
from tests.replays.replay_fleets import SHIPPED, fleet, replayed


def test_honest_probabilities_lie_on_the_diagonal():
    """Statements that are right as often as they say: in each bin the share is the mean probability, within its interval."""
    rng = np.random.default_rng(11)
    said = rng.uniform(0.4, 1.0, 6000)
    told = reliability(said.tolist(), (rng.random(6000) < said).tolist())
    assert [one.low for one in told.bins] == [0.4, 0.5, 0.6, 0.7, 0.8, 0.9]
    assert sum(one.named for one in told.bins) == told.named == 6000
    for one in told.bins:
        assert one.share == pytest.approx(one.mean_probability, abs=0.045)
        assert one.interval[0] <= one.share <= one.interval[1]


def test_boasts_lie_below_the_diagonal():
    """Statements given 90 % that are right in 60 % show it, beyond their interval."""
    rng = np.random.default_rng(12)
    (only,) = reliability([0.92] * 400, (rng.random(400) < 0.6).tolist()).bins
    assert only.interval[1] < 0.75


def test_certainty_belongs_to_the_last_bin():
    """A probability of exactly 1 is counted."""
    (only,) = reliability([1.0, 0.95], [True, False]).bins
    assert (only.named, only.right) == (2, 1)


def test_nothing_said_has_no_bins():
    """Without statements there is no share either."""
    told = reliability([], [])
    assert told.bins == ()
    assert told.share is None


@pytest.mark.parametrize(("said", "right"), [([0.5], []), ([1.2], [True]), ([-0.1], [True])])
def test_nonsense_is_refused(said, right):
    """Unequal lengths and probabilities outside 0 to 1 are errors."""
    with pytest.raises(ValueError, match=r"probabilities|outside"):
        reliability(said, right)


def test_it_is_fed_from_the_truth_of_a_simulated_fleet():
    """The same function tells how often the cause named at the end is the true one: most are, on faults 60 days old."""
    made, records = fleet("weekly")
    answer = assess(records, SHIPPED, made.ends_at)
    faults = made.truth.faults[made.truth.faults["until"].isna()].drop_duplicates("probe", keep="last").set_index("probe")
    said = [
        (one.cause_probability, one.cause == faults["cause"][one.probe]) for one in answer.probes
        if one.cause_probability is not None and one.probe in faults.index
        and (made.ends_at - faults["onset_at"][one.probe]).days >= 60
    ]
    told = reliability([p for p, _ in said], [right for _, right in said])
    assert told.named >= 5
    assert told.share >= 0.6


def test_findings_on_record_are_counted_once():
    """On a fleet with findings each finding has the cause of the moment before its service, and those named are binned."""
    made, records = fleet("weekly")
    result = replayed("weekly")
    assert len(result.causes) == len(records.outcomes) == len(made.truth.repairs) >= 3
    assert all(one.named_at < one.found_at for one in result.causes)
    named = [one for one in result.causes if one.probability is not None]
    assert result.reliability.named == len(named)
    assert result.reliability.right == sum(one.named == one.found for one in named)
