"""Which certificate errs, where sources are compared through the probes read on them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.advice.devices import source_results
from analytics.baseline.shared import BIN_DAYS, SharedMovement
from analytics.counting.columns import Names
from analytics.settings import load

START = pd.Timestamp("2020-01-06")
CERTIFICATE_SD = 0.015
EACH_STEPS = 12  # steps of thirty days for which each source is in use


def results(offsets, *, used=None, noise=0.0, seed=1, certificate_sd=CERTIFICATE_SD):
    """Source results where source i reads ``offsets[i]`` (natural log) against the first, one in use after the other."""
    rng, names = np.random.default_rng(seed), [f"CK-{i + 1}" for i in range(len(offsets))]
    steps = np.arange(len(offsets) * EACH_STEPS)
    device = steps // EACH_STEPS
    begins = (START - pd.Timestamp(0)).days + BIN_DAYS * steps
    movement = SharedMovement(
        device=device, at_days=begins + BIN_DAYS / 2, ends_days=begins + BIN_DAYS,
        offset=np.array(offsets)[device] + noise * rng.standard_normal(len(steps)),
        sd=np.full(len(steps), 0.003), probes=np.full(len(steps), 8))
    sources = pd.DataFrame({
        "source": names, "nuclide": "Co-57", "activity_kbq": 3700.0, "reference_at": START, "site": "Site 1",
        "withdrawn_on": pd.NaT})
    last = START + pd.Timedelta(days=BIN_DAYS * (len(steps) if used is None else used))
    return source_results(
        sources, movement, Names((), (), (), (), (), tuple(names), (), ()), {}, {}, dict.fromkeys(names, 8),
        dict.fromkeys(names, certificate_sd**2), dict.fromkeys(names, "CK-1"), {}, load(), last.to_pydatetime())


def advised(found):
    """Sources to verify."""
    return [one.name for one in found if one.advice == "verify"]


def test_with_one_later_source_the_two_cannot_be_told_apart_and_both_are_named():
    """The second reads 8 % low: it is to be verified, and the sentence says that the first may err the other way."""
    second = results([0.0, -0.08])[1]
    assert second.advice == "verify"
    assert "or CK-1, on which references were formed, errs the other way" in second.reasons[0]


def test_the_source_that_disagrees_with_all_others_is_the_one_to_verify():
    """The first was stated 8 % too low: once a third agrees with the second, the first is named and the second acquitted."""
    offsets = [0.0, -0.08, -0.085]
    early = results(offsets, used=2 * EACH_STEPS + 2)
    assert advised(early) == ["CK-2"]
    late = results(offsets, used=2 * EACH_STEPS + 4)
    assert advised(late) == ["CK-1"]
    assert "an activity 8.6 % higher" in late[0].reasons[0]
    assert "CK-2 and CK-3 after it agree with each other" in late[0].reasons[0]
    (was,) = late[1].alerts
    assert was.settled_at == late[0].alerts[0].signalled_at
    assert was.signalled_at == early[1].alerts[0].signalled_at, "what was said stays as it was"


def test_a_later_source_is_held_against_all_before_it():
    """The first and the second agree, so that 6.6 % on the third is plainly its own: against the first alone it was not."""
    assert advised(results([0.0, 0.0, 0.066])) == ["CK-3"]
    assert advised(results([0.0, 0.066])) == []


def test_sound_sources_are_let_be():
    """Of 200 hospitals with four sources whose certificates are as good as stated, hardly any source is doubted."""
    rng = np.random.default_rng(5)
    doubted = 0
    for seed in range(200):
        error = CERTIFICATE_SD * rng.standard_normal(4)
        doubted += len(advised(results(error - error[0], noise=0.003, seed=seed)))
    assert doubted <= 4  # of 800; 0.8 are expected at 3.3 standard errors


def test_a_certificate_that_states_no_uncertainty_at_all_is_read_as_a_very_good_one():
    """Uncertainties of 0 are typed in: no error, and what lies within 3 % is let be as always."""
    assert advised(results([0.0, 0.01, 0.0], certificate_sd=0.0)) == []
    assert advised(results([0.0, 0.05, 0.0], certificate_sd=0.0)) == ["CK-2"]
