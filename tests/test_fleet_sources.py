"""The source told from the probe: what all probes on it do is its own, is named, and is blamed on no probe."""

from __future__ import annotations

import re
from datetime import date, timedelta

import numpy as np
import pytest

from tests.baseline.logbook import HALF_LIFE_DAYS, START, Log, advice, response, rules, weekly


def together(probes, *, weeks=60, level=None, seed=5, **source):
    """So many probes on one source, all of which do the same."""
    log = Log(seed).source(**source)
    for k in range(1, probes + 1):
        log.probe(f"P-{k}").checks(f"P-{k}", weekly(weeks, offset=0.02 * k), rate_cps=2500 + 200 * k, level=level)
    return log


def swapped(probes, factor, *, seed=6, **sources):
    """So many probes that go over to CK-2 after twenty weeks; its true activity is ``factor`` times the stated one."""
    log = Log(seed).source("CK-1", **sources)
    log.source("CK-2", reference_at=START + timedelta(days=140), **sources)
    for k in range(1, probes + 1):
        rate = 2000 + 100 * k
        log.probe(f"P-{k}").checks(f"P-{k}", weekly(20, offset=0.02 * k), rate_cps=rate)
        log.checks(f"P-{k}", weekly(20, 140, 0.02 * k), rate_cps=rate * factor, source="CK-2", reference_day=140)
    return log


def device(answers, name):
    """The answer for one source, jig or control unit."""
    return next(one for one in answers if one.name == name)


def blamed(answer):
    """Probes of which anything is said but that they are fit."""
    return [p.probe for p in answer.probes if p.advice != "use" or p.cause != "none"]


def falling(per_year):
    """A response that falls by this share a year, beyond the decay."""
    return lambda day: np.exp(per_year * day / 365.2422)


def test_a_source_that_falls_too_fast_is_verified_and_no_probe_is_blamed():
    """Six probes fall together by 12 % a year: the source is `verify` with a slope near that, every probe `use`."""
    answer = together(6, level=falling(-0.12)).assess(420.0)
    source = device(answer.sources, "CK-1")
    assert source.advice == "verify"
    assert [a.rule for a in source.alerts] == ["drift"]
    assert blamed(answer) == []
    (sentence,) = source.reasons
    said = float(re.search(r"by −([\d.]+) %", sentence)[1])
    assert said == pytest.approx(12.0, abs=3.5)
    acts = float(re.search(r"acts like (\d+) d", sentence)[1])
    slope = -np.log1p(-said / 100.0) / 365.2422
    assert acts == pytest.approx(np.log(2.0) / (np.log(2.0) / HALF_LIFE_DAYS + slope), abs=3.0)
    assert "half-life" in sentence
    assert "nuclide" in sentence


def test_one_drifter_among_many_is_the_probe_and_not_the_source():
    """One of six probes loses 12 % a year: it is blamed, the source is `use`, and the other five are."""
    log = together(6)
    log.probe("X").checks("X", weekly(60, offset=0.3), level=falling(-0.12))
    answer = log.assess(420.0)
    assert blamed(answer) == ["X"]
    assert advice(answer, "X").cause == "efficiency_loss"
    assert device(answer.sources, "CK-1").advice == "use"


@pytest.mark.parametrize(("factor", "way", "when"), [(1.082, "higher", "later"), (0.92, "lower", "earlier")])
def test_a_wrong_activity_is_named_with_both_readings(factor, way, when):
    """A constant factor is an activity so much higher, or a reference date so many days later: 8.2 % are 31 days."""
    answer = swapped(5, factor).assess(285.0)
    source = device(answer.sources, "CK-2")
    assert source.advice == "verify"
    sentence = next(text for text in source.reasons if "activity" in text)
    pct, days = re.search(rf"activity ([\d.]+) % {way}, or a reference date (\d+) days {when}", sentence).groups()
    assert float(pct) == pytest.approx(100 * abs(factor - 1), abs=1.5)
    # One and the same factor: days = |ln factor| · T½ / ln 2 (project methods §4: 8.2 % are 31 days of Co-57).
    factor_said = 1 + float(pct) / 100 * (1 if way == "higher" else -1)
    assert float(days) == pytest.approx(abs(np.log(factor_said)) * HALF_LIFE_DAYS / np.log(2), abs=1.0)
    assert blamed(answer) == []
    assert device(answer.sources, "CK-1").advice == "use"


def test_a_new_source_within_its_certificate_is_no_step():
    """A source 1 % off, of a certificate good to 1.5 %, is `use`, and no probe shows a step."""
    answer = swapped(5, 1.01).assess(285.0)
    assert {one.advice for one in answer.sources} == {"use"}
    assert blamed(answer) == []
    assert all(rules(answer, p.probe) == set() for p in answer.probes)


def test_with_two_probes_it_is_said_that_the_two_cannot_be_told_apart():
    """Two probes on a source: said, with how many would be needed; with three it is not said."""
    for probes, told in ((2, True), (3, False)):
        source = device(together(probes, weeks=20).assess(140.0).sources, "CK-1")
        assert any("cannot be told apart" in text for text in source.reasons) == told
    assert device(together(1, weeks=20).assess(140.0).sources, "CK-1").reasons[0].startswith("Read with 1 probe only")


def test_with_two_probes_nothing_is_taken_off_a_drifter():
    """One of two probes drifts: with nobody to bear witness its loss is charted whole, not half given to the other."""
    log = together(1)
    log.probe("X").checks("X", weekly(60, offset=0.3), level=falling(-0.12))
    answer = log.assess(420.0)
    assert response(answer, "X").current_pct == pytest.approx(100 * np.exp(-0.12 * 413 / 365.2422), abs=1.5)
    assert response(answer, "P-1").current_pct == pytest.approx(100.0, abs=1.5)


def test_with_two_probes_no_device_is_said_to_have_stepped():
    """Two probes on one jig, a new source 8 % off: no source or jig is said to have stepped, for none could tell."""
    answer = swapped(2, 1.082).assess(285.0)
    said = [text for one in (*answer.sources, *answer.jigs) for text in one.reasons]
    assert not any("stepped" in text for text in said)


def test_sources_without_activity_give_cps_and_work():
    """Without a stated activity the response is in cps at the reference date, and a loss is found all the same."""
    log = together(4, activity_kbq=None, activity_uncertainty_pct=None)
    log.probe("X").checks("X", weekly(60, offset=0.3), rate_cps=1500.0, level=falling(-0.15))
    answer = log.assess(420.0)
    assert {s.unit for s in answer.series if s.quantity == "response"} == {"cps"}
    assert response(answer, "P-1").reference.value == pytest.approx(2700.0, rel=0.02)
    assert device(answer.sources, "CK-1").activity_kbq is None
    assert blamed(answer) == ["X"]


def test_sources_without_activity_are_bridged_by_the_probes():
    """A change between two sources without activity, the new one three times as strong, alarms no probe."""
    answer = swapped(5, 3.0, activity_kbq=None, activity_uncertainty_pct=None).assess(285.0)
    assert [p.probe for p in answer.probes if rules(answer, p.probe)] == []


def half_moved(kind, level, *, probes=8, devices=2, days=None):
    """Probes shared out over so many jigs or control units on one source, those on the first of which do this."""
    log = Log(8).source()
    for k in range(1, probes + 1):
        number = (k - 1) * devices // probes + 1
        log.probe(f"P-{k}")
        when = [d + 0.02 * k for d in (weekly(40) if days is None else days)]
        log.checks(f"P-{k}", when, level=level if number == 1 else None, **{kind: f"D-{number}"})
    return log


@pytest.mark.parametrize("kind", ["jig", "readout"])
@pytest.mark.parametrize(("size", "probes", "devices"), [(-0.07, 8, 2), (0.05, 8, 2), (-0.25, 8, 2), (-0.07, 9, 3)])
def test_a_jig_or_control_unit_that_steps_is_named_with_size_and_day(kind, size, probes, devices):
    """The probes on one of them step together on day 140: it is `verify`, with that size and day, and no probe is blamed."""
    answer = half_moved(kind, lambda day: 1.0 + size if day > 140 else 1.0, probes=probes, devices=devices).assess(285.0)
    of_kind = answer.jigs if kind == "jig" else answer.readouts
    assert {one.name: one.advice for one in of_kind if one.name.startswith("D-")} == {
        f"D-{n}": "verify" if n == 1 else "use" for n in range(1, devices + 1)}
    (sentence,) = device(of_kind, "D-1").reasons
    sign, said, when = re.search(r"together by ([−+])([\d.]+) % about (\d{4}-\d\d-\d\d)", sentence).groups()
    assert float(said) * (-1 if sign == "−" else 1) == pytest.approx(100 * size, abs=1.0)
    assert abs((date.fromisoformat(when) - (START + timedelta(days=140)).date()).days) <= 10
    assert device(answer.sources, "CK-1").advice == "use"
    assert blamed(answer) == []


def test_a_control_unit_that_drifts_is_named_and_no_probe_is_blamed():
    """The probes on one of two control units fall together by 12 % a year: it is `verify`, no probe is blamed."""
    fall = half_moved("readout", lambda day: np.exp(-0.12 * max(day - 140.0, 0.0) / 365.2422), days=weekly(70))
    answer = fall.assess(495.0)
    assert device(answer.readouts, "D-1").advice == "verify"
    assert device(answer.readouts, "D-2").advice == "use"
    assert blamed(answer) == []


def wrong_nuclide(nuclide, half_life_days, *, reference_day=0.0):
    """Six probes on a source that decays with another half-life than that of its registered nuclide."""
    log = Log(4).source("CK-1")
    if reference_day:
        log.source("CK-2", nuclide=nuclide, reference_at=START + timedelta(days=reference_day))
    else:
        log.sources[0]["nuclide"] = nuclide
    for k in range(1, 7):
        log.probe(f"P-{k}")
        if reference_day:
            log.checks(f"P-{k}", weekly(20, offset=0.02 * k), rate_cps=2000.0)

        def against_co57(day):
            return 2.0 ** ((day - reference_day) / HALF_LIFE_DAYS - (day - reference_day) / half_life_days)

        log.checks(
            f"P-{k}", weekly(50, reference_day, 0.02 * k), rate_cps=2000.0, level=against_co57,
            source="CK-2" if reference_day else "CK-1", reference_day=reference_day)
    return log


@pytest.mark.parametrize(
    ("nuclide", "half_life_days", "name", "reference_day"),
    [("Co-57", 240.4, "Gd-153", 0.0), ("Gd-153", 271.74, "Co-57", 0.0), ("Cs-137", 271.74, "Co-57", 140.0)])
def test_a_wrong_nuclide_is_told_by_its_slope(nuclide, half_life_days, name, reference_day):
    """The half-life that the decay acts like is said, with the nuclide that has it, and no probe is blamed."""
    answer = wrong_nuclide(nuclide, half_life_days, reference_day=reference_day).assess(reference_day + 350.0)
    source = device(answer.sources, "CK-2" if reference_day else "CK-1")
    assert source.advice == "verify"
    sentence = next(text for text in source.reasons if "acts like" in text)
    assert float(re.search(r"acts like (\d+) d", sentence)[1]) == pytest.approx(half_life_days, rel=0.02)
    assert f"that of {name} would" in sentence
    assert blamed(answer) == []


def test_a_weak_source_is_to_be_replaced_and_its_day_is_computed():
    """10 s count to 3 % at 111 cps (trade, check sources): from 1500 cps that is 3.76 half-lives away."""
    log = Log(9).source()
    for k in range(1, 4):
        log.probe(f"P-{k}").checks(f"P-{k}", [7.0 * n + 0.02 * k for n in range(12)], rate_cps=1500.0)
    source = device(log.assess(77.1).sources, "CK-1")
    weak = START + timedelta(days=HALF_LIFE_DAYS * np.log2(1500.0 * 0.03**2 * 10.0))
    assert abs((source.too_weak_on - weak.date()).days) <= 8
    assert source.advice == "use"
    late = Log(9).source()
    for k in range(1, 4):
        late.probe(f"P-{k}").checks(f"P-{k}", weekly(12, 1100.0, 0.02 * k), rate_cps=1500.0)
    source = device(late.assess(1178.0).sources, "CK-1")
    assert source.advice == "replace"
    assert source.too_weak_on < (START + timedelta(days=1178.0)).date()


def test_the_rate_of_a_source_is_that_of_the_moment_asked_for():
    """A half-life after the last reading the rate now is halved, and the day it gets too weak is the same."""
    log = together(3, weeks=12)
    early, late = (device(log.assess(day).sources, "CK-1") for day in (78.0, 78.0 + HALF_LIFE_DAYS))
    assert late.rate_now_cps == pytest.approx(early.rate_now_cps / 2.0, rel=0.01)
    assert abs((late.too_weak_on - early.too_weak_on).days) <= 2


def test_the_source_after_one_that_fell_is_not_blamed_for_what_that_had_lost():
    """CK-1 falls 12 % a year from its certificate on, 250 days before the first check: CK-2 reads 8.6 % above the references."""
    log = Log(8).source("CK-1", reference_at=START - timedelta(days=250)).source("CK-2", reference_at=START + timedelta(days=280))
    for k in range(1, 9):
        log.probe(f"P-{k}")
        log.checks(f"P-{k}", weekly(40, 0, 0.02 * k), rate_cps=4000 + 100 * k, reference_day=-250.0,
                   level=lambda day: np.exp(-0.12 * (day + 250.0) / 365.2422))
        log.checks(f"P-{k}", weekly(20, 280, 0.02 * k), rate_cps=4000 + 100 * k, source="CK-2", reference_day=280.0)
    answer = log.assess(425.0)
    assert device(answer.sources, "CK-1").advice == "verify"
    good = device(answer.sources, "CK-2")
    assert good.offset_pct > 4.0
    assert (good.advice, good.alerts) == ("use", ())
    assert blamed(answer) == []
