"""What a source, a jig or a control unit was found to do, from its movement in steps of thirty days."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.advice.device_findings import Inherited, source_findings
from analytics.baseline.shared import BIN_DAYS

HALF_LIFE = 271.74
START = 19_000.0


def found(value, *, sd=0.004, certificate=None, now=None, seed=1, noise=0.002, inherited=None):
    """Findings of a source with these offsets in bins of thirty days."""
    value = np.asarray(value, float) + noise * np.random.default_rng(seed).standard_normal(len(value))
    at = START + BIN_DAYS * (np.arange(len(value)) + 0.5)
    ends = at + BIN_DAYS / 2
    return source_findings(
        "CK-1", at, ends, value, np.full(len(value), sd), np.full(len(value), 8), HALF_LIFE, certificate,
        ends[-1] if now is None else now, inherited)


def falling(per_year, bins=24):
    """Offsets that fall so much a year."""
    return per_year * BIN_DAYS * np.arange(bins) / 365.2422


@pytest.mark.parametrize("per_year", [-0.10, 0.08])
def test_a_slope_is_found_with_its_direction_and_half_life(per_year):
    """Ten per cent a year too fast, or eight too slow: one finding, the rule drift, never sooner than four months."""
    (one,) = found(falling(per_year))
    assert one.rule == "drift"
    assert one.low == (per_year < 0)
    assert START + 120.0 <= one.signalled_days <= START + 420.0
    acts = np.log(2) / (np.log(2) / HALF_LIFE - per_year / 365.2422)
    said = float(one.sentence.split("acts like ")[1].split(" d")[0])
    assert said == pytest.approx(acts, rel=0.12)


def test_a_sound_source_is_let_be():
    """Offsets about zero, of 200 simulated sources: hardly any finding."""
    assert sum(bool(found(np.zeros(30), seed=s, noise=0.004, certificate=0.015)) for s in range(200)) <= 2


def test_a_level_is_found_only_against_a_certificate():
    """Eight per cent off: said where the certificate could show it, not where the references were formed on it."""
    (one,) = found(np.full(12, 0.08), certificate=0.015)
    assert one.rule == "change_point"
    assert not one.low
    assert "activity 8.3 % higher" in one.sentence or "activity 8.4 % higher" in one.sentence
    assert found(np.full(12, 0.08)) == []


def test_the_source_after_a_bad_one_is_not_blamed_for_what_the_references_hold():
    """References formed on a source that had lost 8 %: the next reads 8 % high, which is let be once that is known, and no sooner."""
    high = np.full(12, 0.08)
    known = Inherited(START - 100.0, 0.08, 0.008)
    assert found(high, certificate=0.015, inherited=known) == []
    assert found(high, certificate=0.015, inherited=Inherited(START + 1000.0, 0.08, 0.008)) == found(high, certificate=0.015)
    (one,) = found(np.zeros(12), certificate=0.015, inherited=known)
    assert one.low
    assert "lower" in one.sentence


def test_a_level_within_the_certificate_is_let_be():
    """Three per cent off a certificate good to 3 % (k=1) is nothing."""
    assert found(np.full(12, 0.03), certificate=0.03) == []


def test_a_step_is_found():
    """All probes on it step by −6 % in the ninth month: found as a step before anything else, with its size and day."""
    one = found(np.where(np.arange(20) < 8, 0.0, -0.06))[0]
    assert (one.rule, one.low) == ("change_point", True)
    assert START + 9 * BIN_DAYS <= one.signalled_days <= START + 12 * BIN_DAYS
    assert float(one.sentence.split("together by −")[1].split(" %")[0]) == pytest.approx(5.8, abs=0.5)


def test_a_step_is_not_called_a_wrong_half_life():
    """A source that stepped once and is flat before and after it has no slope to speak of."""
    assert [one.rule for one in found(np.where(np.arange(20) < 8, 0.0, -0.06))] == ["change_point"]


def test_findings_are_never_in_hindsight():
    """With fewer bins known, the findings are those dated by then, word for word."""
    rng = np.random.default_rng(3)
    for case in range(12):
        value = falling(rng.uniform(-0.12, 0.12)) + np.where(np.arange(24) < rng.integers(4, 20), 0, rng.normal(0, 0.05))
        whole = found(value, certificate=0.015, seed=case)
        ends = START + BIN_DAYS * (np.arange(24) + 1.0)
        for k in (5, 9, 16):
            then = found(value, certificate=0.015, seed=case, now=ends[k - 1])
            assert then == [one for one in whole if one.signalled_days <= ends[k - 1]]


def test_a_bin_that_is_not_over_does_not_count():
    """A finding that needs the last bin is not made before that bin has ended."""
    (one,) = found(falling(-0.10))
    assert found(falling(-0.10), now=one.signalled_days - 0.1) == []


def test_too_few_bins():
    """One or two bins say nothing, whatever they show."""
    assert found([0.5], certificate=0.015) == []
    assert found([0.5, 0.5], certificate=0.015) == []
