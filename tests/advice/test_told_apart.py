"""Where a probe cannot be told from its source, that is said on the probe; where it can, it is not."""

from __future__ import annotations

import numpy as np
import pytest

from tests.baseline.logbook import Log, advice, rules, weekly


def falling(probes, fall, *, level=lambda day: np.exp(-0.12 * day / 365.2422), **row):
    """So many probes on one source, the first ``fall`` of which lose alike; read weekly for a year."""
    log = Log(5).source()
    for k in range(1, probes + 1):
        log.probe(f"P-{k}").checks(
            f"P-{k}", weekly(52, offset=0.02 * k), rate_cps=2000.0, level=level if k <= fall else None, **row)
    return log.assess(364.0)


def test_two_probes_that_fall_alike_on_one_source_are_undetermined():
    """Both say that they cannot be told from their source, and what would tell; what is beyond tolerance stays out of use."""
    answer = falling(2, 2)
    for name in ("P-1", "P-2"):
        probe = advice(answer, name)
        assert probe.advice == "undetermined"
        assert any("cannot be told apart" in text and "CK-1" in text for text in probe.missing)
        assert ("tolerance" in rules(answer, name)) == (probe.patient_use == "not_until_cleared")


def test_the_source_is_a_likely_cause_where_it_may_have_moved_and_nowhere_else():
    """Alike on one source: the cause is rather the source than two probes at once; beside one that stands it is none."""
    for name in ("P-1", "P-2"):
        probe = advice(falling(2, 2), name)
        assert probe.cause == "check_source"
        assert 0.5 < probe.cause_probability < 0.95
        assert any("Likely cause: check source" in text for text in probe.reasons)
    assert advice(falling(2, 1), "P-1").cause == "efficiency_loss"
    assert advice(falling(2, 1), "P-2").cause == "none"
    assert {p.cause for p in falling(2, 0).probes} == {"none"}
    assert {advice(falling(4, 2), name).cause for name in ("P-1", "P-2")} == {"efficiency_loss"}


def test_one_of_two_that_falls_is_blamed():
    """The other one stands where it stood: the source did not fall."""
    answer = falling(2, 1)
    assert advice(answer, "P-1").advice == "service"
    assert advice(answer, "P-1").missing == ()
    assert advice(answer, "P-2").advice == "use"


def test_a_probe_alone_on_its_source_says_so_and_is_judged():
    """Its loss asks for a service all the same, and the reasons say that the source could have done it."""
    probe = advice(falling(1, 1), "P-1")
    assert probe.advice == "service"
    assert any(text.startswith("It alone is read on CK-1") for text in probe.reasons)


def test_two_of_three_that_fall_alike_are_undetermined():
    """Two against one: the two, or the third and the source; nobody with an alarm is blamed for it."""
    answer = falling(3, 2)
    alarmed = [p.probe for p in answer.probes if rules(answer, p.probe, still_open=True)]
    assert len(alarmed) >= 2
    assert {advice(answer, name).advice for name in alarmed} == {"undetermined"}


def test_two_of_four_that_fall_alike_are_blamed_and_their_company_is_said():
    """Two others stand where they stood, so it is not the source: the reasons say to look for what the two share."""
    answer = falling(4, 2)
    assert [p.advice for p in answer.probes] == ["service", "service", "use", "use"]
    assert all(any("look for what they share" in text for text in advice(answer, n).reasons) for n in ("P-1", "P-2"))


def test_half_against_half_is_said_of_every_probe_that_is_blamed():
    """Five of nine step by 20 % on one day: nobody on the source can be used for fit, alarm or none, and it is to be verified."""
    answer = falling(9, 5, level=lambda day: 0.8 if day > 200 else 1.0)
    assert {p.advice for p in answer.probes} == {"undetermined"}
    assert any(p.advice == "undetermined" for p in answer.probes)
    assert next(s for s in answer.sources if s.name == "CK-1").advice == "verify"


@pytest.mark.parametrize("moved", ["drifts", "steps"])
def test_a_reference_that_itself_moved_is_said_with_its_size(moved):
    """Monthly checks: a loss that begins within the twenty months of the reference is said, and the reference is its start."""

    def level(day):
        return np.exp(-0.12 * day / 365.2422) if moved == "drifts" else 0.92 if day > 300 else 1.0

    log = Log(5).source()
    for k in range(1, 7):
        days = [30.4 * n + 0.02 * k for n in range(19)]
        log.probe(f"P-{k}").checks(f"P-{k}", days, rate_cps=2000.0, level=level if k == 1 else None)
    answer = log.assess(560.0)
    (series,) = answer.series_of("P-1", "response")
    (note,) = [n for n in series.notes if n.startswith(f"The reference period itself {moved} by −")]
    size = float(note.split("by −")[1].split(" %")[0])
    assert size == pytest.approx(16.4 if moved == "drifts" else 8.0, abs=2.5)
    assert note in advice(answer, "P-1").reasons
    now = 100 * level(547.0)
    assert series.current_pct == pytest.approx(now, abs=2.0)
    assert [p.probe for p in answer.probes if any("reference period itself" in text for text in p.reasons)] == ["P-1"]


def test_two_of_six_that_stand_where_they_stood_are_not_said_to_have_risen():
    """Four step down alike: they, or the source and the two that never moved; nobody is served or barred for it."""
    answer = falling(6, 4, level=lambda day: 0.92 if day > 200 else 1.0)
    for name in ("P-5", "P-6"):
        probe = advice(answer, name)
        assert probe.advice == "undetermined"
        assert probe.cause in ("none", "check_source")
        assert any("2 of the 6 probes read on CK-1 moved alike" in text for text in probe.missing)
    assert {p.advice for p in answer.probes} == {"undetermined"}
    assert answer.sources[0].advice == "verify"


def test_two_of_six_that_rise_alike_are_two_that_rose():
    """The other four stand where they stood, and that tells."""
    answer = falling(6, 2, level=lambda day: 1.09 if day > 200 else 1.0)
    assert [advice(answer, f"P-{k}").advice for k in range(1, 7)] == ["service", "service", "use", "use", "use", "use"]


@pytest.mark.parametrize(("on_new", "told"), [(0.8, False), (1.0, True)])
def test_a_probe_that_changed_with_a_source_it_alone_is_read_on_is_undetermined(on_new, told):
    """A fifth less from the first check on the new source on: it, or that source; barred all the same, and what would tell is said."""
    log = Log(5).source().source("CK-2")
    for k in range(1, 5):
        log.probe(f"P-{k}").checks(f"P-{k}", weekly(60, offset=0.02 * k), rate_cps=2000.0)
    log.probe("X").checks("X", weekly(40, offset=0.2), rate_cps=2000.0)
    log.checks("X", weekly(20, 280.0, 0.2), rate_cps=2000.0, source="CK-2", level=lambda _day: on_new)
    probe = advice(log.assess(420.0), "X")
    assert any("until another probe is read on CK-2, or it on CK-1 again" in text for text in probe.missing) == (not told)
    assert (probe.advice, probe.patient_use) == (("use", "allowed") if told else ("undetermined", "not_until_cleared"))
    assert probe.cause == ("none" if told else "check_source")


def test_a_probe_that_fell_before_it_alone_was_read_on_another_source_is_blamed():
    """It had lost a fifth on the source that all are read on; the new one changes nothing."""
    log = Log(5).source().source("CK-2")
    for k in range(1, 5):
        log.probe(f"P-{k}").checks(f"P-{k}", weekly(60, offset=0.02 * k), rate_cps=2000.0)
    fallen = {"rate_cps": 2000.0, "level": lambda day: 0.8 if day > 200 else 1.0}
    log.probe("X").checks("X", weekly(40, offset=0.2), **fallen).checks("X", weekly(20, 280.0, 0.2), source="CK-2", **fallen)
    probe = advice(log.assess(420.0), "X")
    assert (probe.advice, probe.patient_use) == ("service", "not_until_cleared")
    assert any(text.startswith("It alone is read on CK-2") for text in probe.reasons)
