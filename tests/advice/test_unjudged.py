"""Checks that give no response, or none that can be held against those before, are said and not passed over."""

from __future__ import annotations

from datetime import timedelta

import pytest

from analytics.advice.bench_expectation import Bench, expect
from analytics.answer import as_json
from tests.baseline.logbook import SHIPPED, START, Log, advice, response, weekly

UNSTATED = {"activity_kbq": None, "activity_uncertainty_pct": None}


def fleet(probes=4, checks=20, **more):
    """Sound probes read weekly on CK-1."""
    log = Log(2).source(**more)
    for n in range(1, probes + 1):
        log.probe(f"S-{n}").checks(f"S-{n}", weekly(checks, offset=0.02 * n))
    return log


def swapped(first, second, probes=5):
    """Probes read on CK-1 for twenty weeks and on CK-2, as strong, for twelve more."""
    log = Log(2).source(**first).source("CK-2", **second)
    for n in range(1, probes + 1):
        days = weekly(32, offset=0.02 * n)
        log.probe(f"S-{n}").checks(f"S-{n}", days[:20]).checks(f"S-{n}", days[20:], source="CK-2")
    return log


def no_half_life(log):
    """The newest check is on a source whose nuclide nobody knows."""
    log.source("CK-9", nuclide="Zz-999").checks("S-1", [140.0], source="CK-9")
    return "no half-life is known for Zz-999"


def saturated(log):
    """The newest check counts faster than the dead time lets be corrected: 1/e/τ is 36,788 cps for 10 µs (Knoll)."""
    log.probes[0] |= {"dead_time_us": 10.0, "dead_time_model": "paralysable"}
    log.count("S-1", 140.0, "background", 30).count("S-1", 140.002, "source", 400_000)
    return "40000 counts a second are more than the dead time of 10 µs"


def decayed_away(log):
    """The newest check is on a source of six hours' half-life, dated four months earlier."""
    log.source("CK-9", nuclide="Tc-99m").checks("S-1", [140.0], source="CK-9")
    return "more than 40 half-lives of Tc-99m"


@pytest.mark.parametrize("case", [no_half_life, saturated, decayed_away])
def test_a_probe_whose_newest_check_gives_no_response_is_undetermined(case):
    """Counted and without a response: undetermined, repeat first, with the reason, and its neighbours are untouched."""
    log = fleet()
    said = case(log)
    answer = log.assess(141.0)
    found = advice(answer, "S-1")
    assert (found.advice, found.patient_use) == ("undetermined", "repeat_first")
    assert any(said in text for text in found.missing)
    assert not any("within their limits" in text for text in found.reasons)
    assert (advice(answer, "S-2").advice, advice(answer, "S-2").patient_use) == ("use", "allowed")
    for one in answer.sources:
        assert (one.advice == "verify") == (one.name == "CK-9")


def test_checks_without_a_response_are_counted_though_later_ones_have_one():
    """Read since then with a response: no bar, and how many checks gave none is said."""
    log = fleet()
    saturated(log)
    found = advice(log.checks("S-1", [147.0]).assess(148.0), "S-1")
    assert (found.advice, found.patient_use) == ("use", "allowed")
    assert any(text.startswith("1 of its 22 checks gives no response (on 2022-05-23)") for text in found.reasons)


def test_one_source_of_a_date_that_cannot_be_right_leaves_the_answer_of_all_others():
    """A reference date ten years late for a nuclide of hours: its source is to be verified, and the document is whole."""
    log = fleet().source("CK-9", nuclide="Tc-99m", reference_at=START + timedelta(days=3650))
    log.probe("X").checks("X", weekly(10), source="CK-9")
    answer = log.assess(141.0)
    assert {one.name: one.advice for one in answer.sources} == {"CK-1": "use", "CK-9": "verify"}
    assert [one["probe"] for one in as_json(answer)["probes"]] == ["S-1", "S-2", "S-3", "S-4", "X"]
    assert advice(answer, "X").advice == "undetermined"


@pytest.mark.parametrize(("first", "second", "unit"), [({}, UNSTATED, "cps/kBq"), (UNSTATED, {}, "cps"), (UNSTATED, UNSTATED, "cps")])
def test_a_source_without_activity_is_bridged_by_the_probes_alone(first, second, unit):
    """Stated or not, before or after: no probe moved, no certificate is doubted, and the unit is that of the reference."""
    answer = swapped(first, second).assess(32 * 7.0)
    assert {p.advice for p in answer.probes} == {"use"}
    assert {s.advice for s in answer.sources} == {"use"}
    for n in range(1, 6):
        series = response(answer, f"S-{n}")
        assert series.current_pct == pytest.approx(100.0, abs=1.5)
        assert (series.unit, series.reference.unit) == (unit, unit)
        assert series.reference.value == pytest.approx(1500.0 / (300.0 if unit == "cps/kBq" else 1.0), rel=0.02)


def test_a_lone_probe_on_a_source_that_nothing_bridges_is_undetermined():
    """No activity stated and no other probe: what it counts on the new source says nothing of a loss, and is not called one."""
    found = advice(swapped(UNSTATED, {}, probes=1).assess(32 * 7.0), "S-1")
    assert (found.advice, found.patient_use) == ("undetermined", "repeat_first")
    assert any("cannot be held against those before" in text for text in found.missing)


@pytest.mark.parametrize(("first", "second"), [({}, UNSTATED), (UNSTATED, {})])
def test_the_bench_expects_what_the_source_in_use_gives_whether_its_activity_is_stated_or_not(first, second):
    """After the swap the next counting is expected at the decayed rate: 1500 cps · 2^(−224/271.74), both sources being as strong."""
    log = swapped(first, second)
    at = START + timedelta(days=224.0)
    made = expect(log.assess(224.0), log.records(), SHIPPED, Bench("S-3", "Co-57", "CK-2", "J-1"), at)
    assert made.net_cps == pytest.approx(1500.0 * 2.0 ** (-224.0 / 271.74), rel=0.02)


def test_of_a_first_check_on_a_source_without_activity_nothing_is_expected():
    """Neither certificate nor other probes tell how strong the new source is, and the bench says so."""
    log = fleet().source("CK-2", **UNSTATED)
    made = expect(log.assess(141.0), log.records(), SHIPPED, Bench("S-1", "Co-57", "CK-2", "J-1"), START + timedelta(days=141))
    assert made.counts is None
    assert "not stated" in made.missing


@pytest.mark.parametrize(("counted", "said"), [(("window_below",), True), (("window_above",), True), (("window_below", "window_above"), False)])
def test_a_window_check_with_a_count_missing_is_said_to_tell_nothing(counted, said):
    """Below and above the photopeak are both needed beside the centred count; what was counted without the other is not passed over."""
    log = fleet()
    for measurement in counted:
        log.count("S-1", 133.022, measurement, 6000.0)
    assert any("Its window check on 2022-05-16 tells nothing" in text for text in advice(log.assess(141.0), "S-1").reasons) == said


@pytest.mark.parametrize(("rate_cps", "said"), [(100.0, "about 70 counts a second"), (3.0, "about 2.1 counts a second")])
def test_a_source_that_was_weak_from_the_first_is_not_said_to_be_so_since_before_its_use(rate_cps, said):
    """Ten seconds never told the rate to 3 % (111 cps, Poisson): no day, and the rate in plain digits."""
    log = Log(2).source("CK-1", activity_kbq=20.0)
    for n in range(1, 4):
        log.probe(f"S-{n}").checks(f"S-{n}", weekly(20, offset=0.02 * n), rate_cps=rate_cps, background_cps=0.1)
    (source,) = log.assess(141.0).sources
    assert source.advice == "replace"
    (text,) = [one for one in source.reasons if "counts a second" in one]
    assert said in text
    assert "since" not in text


def test_a_source_too_strong_to_be_expected_leaves_what_was_counted_on_it():
    """The certificate of the new source promises rates beyond 1/τ (10⁵ cps, paralysable), a thousandth is counted: a level, and no NaN."""
    log = Log(2).source().source("CK-2", activity_kbq=300_000.0)
    log.probe("X", dead_time_us=10.0, dead_time_model="paralysable").checks("X", weekly(30)).checks("X", weekly(10, 210.0), source="CK-2")
    answer = log.assess(280.0)
    series = response(answer, "X")
    assert series.current is not None
    assert series.current_pct < 50.0
    assert answer.points["z"][answer.points["series"] == series.index].notna().sum() > 30


def test_a_loss_of_more_than_a_tenth_to_dead_time_is_said_on_the_probe():
    """20,000 cps at 10 µs, non-paralysable: a fifth is lost (trade check value 14), and the reasons say that it is more than a tenth."""
    log = fleet()
    log.probes[0] |= {"dead_time_us": 10.0, "dead_time_model": "non_paralysable"}
    log.count("S-1", 140.0, "background", 30).count("S-1", 140.002, "source", 200_000)
    assert any("lost to dead time" in text for text in as_json(log.assess(141.0))["probes"][0]["reasons"])
    assert not any("lost to dead time" in text for text in as_json(fleet().assess(141.0))["probes"][0]["reasons"])
