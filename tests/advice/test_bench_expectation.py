"""What the next counting should show."""

from __future__ import annotations

import math
from datetime import timedelta

import pytest

from analytics import settings as settings_module
from analytics.advice.bench_expectation import Bench, Counting, expect, placement_sd
from tests.advice import bench_case as case

SETTINGS = settings_module.load()
BENCH = Bench("GP-1", "Co-57", "CK-1")


def expected(at=case.AS_OF, *, assessment=None, records=None, bench=BENCH, **options):
    """The expectation for the plain case, with what a test changes."""
    return expect(assessment or case.assessment(), records or case.records(), SETTINGS, bench, at, **options)


def test_expected_counts_are_reference_times_activity_plus_background():
    """20 cps/kBq on 100 kBq with 5 cps background are 20,050 counts in 10 s."""
    made = expected(background=[Counting(50, 10.0)])
    assert made.counts == pytest.approx(20_050)
    assert made.background_basis == "counted now"


def test_expected_counts_follow_the_decay_of_the_source():
    """One half-life of Co-57 (271.74 d, ICRP 107) later the expected net counts are half."""
    now, later = expected(), expected(case.AS_OF + timedelta(days=271.74))
    assert later.net_cps == pytest.approx(now.net_cps / 2, rel=1e-9)


def test_expected_counts_scale_with_the_counting_time():
    """Six times the counting time gives six times the counts, and a relatively narrower usual range."""
    ten, sixty = expected(), expected(count_time_s=60.0)
    assert sixty.counts == pytest.approx(6 * ten.counts)
    assert (sixty.usual[1] - sixty.usual[0]) / sixty.counts < (ten.usual[1] - ten.usual[0]) / ten.counts


def test_the_common_movement_of_the_source_is_expected_too():
    """A source found 3 % stronger than stated is expected to give 3 % more."""
    moved = case.assessment(points=case.points(shared_pct=3.0))
    assert expected(assessment=moved).net_cps == pytest.approx(1.03 * expected().net_cps)


def test_a_source_without_activity_is_expected_in_rates():
    """Where no activity is stated the reference is a rate decayed to the source's date, and needs none."""
    rate = case.assessment(all_series=(case.series(value=2000.0, unit="cps"),))
    made = expected(assessment=rate, records=case.records(activity_kbq=None))
    assert made.net_cps == pytest.approx(2000.0)


def test_dead_time_is_put_back_on():
    """With 10 µs, non-paralysable, a true 25,000 cps shows as 20,000 (trade.md check value 14, computed there)."""
    from analytics.records import snapshot
    from analytics.records.snapshot import Records

    base = case.records(activity_kbq=1250.0)
    slow = Records.table(snapshot.PROBES, {"probe": ["GP-1"], "site": ["North"], "dead_time_us": [10.0]})
    made = expected(records=Records(**{**base.__dict__, "probes": slow}))
    assert made.counts == pytest.approx(200_000)


def test_the_levels_are_the_sites_levels():
    """Of 20,000 counts without background 10 % tolerance is 18,000 to 22,000, 5 % action level 19,000 to 21,000."""
    made = expected()
    assert (made.tolerance, made.action) == ((18_000, 22_000), (19_000, 21_000))


def test_the_usual_range_is_counting_and_placing():
    """±3 sd about 20,000 counts, from points whose own sd is 1 % with the counting part taken off."""
    counting = (2000 / 10 + 5 / 10) / (2000 - 5) ** 2  # 20,000 gross, 50 background, 10 s each
    placing = math.sqrt(0.01**2 - counting)
    made = expected()
    sd = math.sqrt(1 / 20_000 + placing**2)
    assert made.usual == (math.ceil(20_000 * math.exp(-3 * sd)), math.floor(20_000 * math.exp(3 * sd)))


def test_placing_comes_from_the_settings_while_points_are_few():
    """With four points the spread of placing is the one the settings assume."""
    few = case.points(checks=4)
    assert placement_sd(case.assessment(), case.records(), few, SETTINGS) == SETTINGS.noise.repositioning_pct / 100


def test_a_source_never_read_before_widens_the_range_by_its_certificate():
    """On a source new to the probe the certificate's 5 % joins the range, and a note says so."""
    from analytics.records import snapshot
    from analytics.records.snapshot import Records

    sources = Records.table(
        snapshot.SOURCES,
        {"source": ["CK-2"], "nuclide": ["Co-57"], "reference_at": [case.AS_OF], "activity_kbq": [100.0]},
    )
    made = expected(
        records=Records(**{**case.records().__dict__, "sources": sources}), bench=Bench("GP-1", "Co-57", "CK-2")
    )
    assert made.constant_sd == pytest.approx(0.05)
    assert "as stated" in made.notes[0]


@pytest.mark.parametrize(
    ("bench", "said"),
    [
        (Bench("GP-1", "Co-57", "CK-9"), "not registered"),
        (Bench("GP-1", "Co-57", "CK-1", jig="J-7"), "No reference for GP-1 with Co-57, Co-57, jig J-7"),
        (Bench("GP-9", "Co-57", "CK-1"), "No check of GP-9 is on record"),
    ],
)
def test_what_cannot_be_expected_is_said(bench, said):
    """An unknown source, a new jig and a new probe each get a sentence instead of a number."""
    made = expected(bench=bench)
    assert made.counts is None
    assert said in made.missing


def test_a_weak_source_says_how_long_to_count():
    """At 2 cps net, 10 s cannot tell 10 %: the time that could is given, and at that time it can."""
    weak = case.assessment(all_series=(case.series(value=0.02),), points=case.points(sd=0.0))
    made = expected(assessment=weak)
    assert made.needed_time_s > 60
    assert expected(assessment=weak, count_time_s=1.01 * made.needed_time_s).needed_time_s is None


def test_a_tolerance_narrower_than_placing_cannot_be_watched_by_counting_longer():
    """Where placing alone scatters by 10 % no counting time helps: the answer is infinite, not a number."""
    assert expected(assessment=case.assessment(points=case.points(sd=0.10))).needed_time_s == math.inf


@pytest.mark.parametrize("time_s", [0.0, -1.0, math.nan, math.inf])
def test_a_counting_time_that_is_none_is_said(time_s):
    """Zero, negative, NaN and infinite counting times give a sentence."""
    assert "more than 0" in expected(count_time_s=time_s).missing
