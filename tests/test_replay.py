"""The replay: what was said at earlier month ends is what would have been said, nothing later leaks in, and it adds up."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics.cut import cut
from analytics.fleet import assess
from analytics.records.snapshot import OUTCOMES, Records
from analytics.replay import month_ends, replay
from analytics.replays.backdate import run_pass, then
from analytics.replays.causes import named_causes
from analytics.replays.document import as_json
from analytics.replays.forecasts import forecasts_then
from analytics.simulate import scoring_fleet, to_records
from tests.baseline.logbook import START, Log, weekly
from tests.replays.replay_fleets import SHIPPED, fleet, replayed

CADENCES = pytest.mark.parametrize("cadence", ["weekly", "monthly"])
YEAR_DAYS = 365.2422


def same_as_a_whole_assessment(records, whole, moment):
    """The forecasts read off the pass and those of a whole assessment of the records cut to the moment, by series."""
    names, keys = whole.counted.names, whole.counted.response.keys

    def name(of, code):
        return of[code] if code >= 0 else None

    read = {
        (names.probe[keys.probe[one.series]], names.window[keys.window[one.series]],
         name(names.jig, keys.jig[one.series]), name(names.collimator, keys.collimator[one.series])): one.crossing
        for one in forecasts_then(whole, then(whole, moment))
    }
    run = {
        (one.probe, one.window, one.jig, one.collimator): one.crossing
        for one in assess(cut(records, moment), SHIPPED, moment).series
        if one.quantity == "response" and one.crossing is not None
    }
    return read, run


@CADENCES
@pytest.mark.parametrize("month", [9, 17, 26])
def test_what_is_read_off_the_pass_is_what_a_whole_assessment_gives(cadence, month):
    """At a month end each forecast, its dates and its probabilities are to the last digit those of the records cut there."""
    made, records = fleet(cadence)
    whole = run_pass(records, SHIPPED, made.ends_at)
    read, run = same_as_a_whole_assessment(records, whole, replayed(cadence).month_ends[month])
    assert run
    assert read == run


def test_it_is_so_too_in_the_middle_of_a_day_and_where_much_goes_wrong():
    """Knocked jigs, wrong dates, blunders and repairs change nothing in that, nor does a moment between two checks."""
    made = scoring_fleet(
        4, probes=16, years=1.6, sites=2, jig_knocked=True, wrong_date=True, repaired=0.8, blunder_rate=0.04,
        two_windows=0.4, mix={"gain_drift": 0.3, "efficiency_loss": 0.2, "step": 0.2, "intermittent": 0.1})
    records = to_records(made)
    whole = run_pass(records, SHIPPED, made.ends_at)
    taken = records.readings["taken_at"]
    for share in (0.55, 0.9):
        moment = taken.iloc[int(share * len(taken))].to_pydatetime() + timedelta(seconds=30)
        read, run = same_as_a_whole_assessment(records, whole, moment)
        assert run
        assert read == run


@CADENCES
def test_causes_read_off_the_pass_are_those_of_a_whole_assessment(cadence):
    """The cause and its probability before a finding are those that the answer of that moment gave, for every probe."""
    made, records = fleet(cadence)
    moments = [made.starts_at + share * (made.ends_at - made.starts_at) for share in (0.4, 0.7, 0.97)]
    probes = list(records.probes["probe"])
    asked = Records.table(OUTCOMES, {
        "probe": probes * len(moments), "found_at": [m for m in moments for _ in probes],
        "found": ["none"] * (len(probes) * len(moments))})
    known = replace(records, outcomes=asked, events=records.events.assign(kind="other"))
    read = {
        (one.probe, one.found_at): (one.named, one.probability)
        for one in named_causes(run_pass(known, SHIPPED, made.ends_at), assess(known, SHIPPED, made.ends_at))
    }
    for moment in moments:
        for one in assess(known, SHIPPED, moment).probes:
            if one.cause != "record_error":
                assert read[one.probe, moment] == (one.cause, one.cause_probability)
    assert len({cause for cause, _ in read.values()}) >= 3


@CADENCES
def test_nothing_later_leaks_into_what_was_said(cadence):
    """A store that ends a year earlier says the same at the month ends it has; only what came of it may differ."""
    made, records = fleet(cadence)
    end = made.ends_at - timedelta(days=400)
    early, late = replay(cut(records, end), SHIPPED, end), replayed(cadence)

    def said(result):
        return [
            (one.made_at, one.probe, one.window, one.jig, one.newest_check_at, one.limit_pct, one.p05, one.p50, one.p95)
            for one in result.forecasts if one.made_at < end
        ]

    assert len(said(early)) > 20
    assert said(early) == said(late)
    alerts = [(one.probe, one.quantity, one.rule, one.signalled_at) for one in early.leads]
    assert alerts == [
        (one.probe, one.quantity, one.rule, one.signalled_at) for one in late.leads if one.signalled_at <= end]


def true_levels(made):
    """By probe the true log response, off the mean of the true ones of its reference checks before its fault, by day.

    Probes that were never serviced, in the window Co-57. A reference that itself drifts ends where that began.
    """
    served = set(made.truth.repairs["probe"])
    onset = made.truth.faults.groupby("probe")["onset_at"].min()
    out = {}
    for probe, mine in made.truth.checks[made.truth.checks["window"] == "Co-57"].groupby("probe"):
        if probe not in served:
            level = np.log(mine["response_pct"].to_numpy())
            early = np.arange(len(level)) < SHIPPED.reference.readings
            sound = early & (mine["taken_at"] < onset.get(probe, pd.Timestamp.max)).to_numpy()
            base = level[sound if sound.any() else early].mean()
            out[probe] = pd.Series(level - base, index=mine["taken_at"].to_numpy())
    return out


@CADENCES
def test_passings_are_those_of_the_truth(cadence):
    """Who truly passed the tolerance plainly is seen to, at a level near it; who stayed well inside is not.

    Near is 2 % of weekly and 4 % of monthly checks: so well the common movement of eighteen probes, half of them moving, is known.
    """
    made, _ = fleet(cadence)
    near = {"weekly": 0.02, "monthly": 0.04}[cadence]
    found = {one.probe: one for one in reversed(replayed(cadence).passings) if one.window == "Co-57"}
    plain = 0
    for probe, off in true_levels(made).items():
        late = off[off.index <= off.index[-1] - np.timedelta64(60, "D")]
        if late.min() < np.log(0.9) - near or late.max() > np.log(1.1) + near:
            plain += 1
            assert probe in found
        if off.abs().max() < 0.1 - near:
            assert probe not in found
        if probe in found and not found[probe].sudden:
            there = off.iloc[off.index.get_indexer([pd.Timestamp(found[probe].passed_on)], method="nearest")[0]]
            limit = np.log(0.9 if found[probe].direction == "low" else 1.1)
            assert there == pytest.approx(limit, abs=near)
    assert plain >= 3


@CADENCES
def test_a_step_is_told_from_a_drift(cadence):
    """Passings that truly are steps are marked as sudden, those of slow losses are not."""
    made, _ = fleet(cadence)
    kind = made.truth.faults.drop_duplicates("probe").set_index("probe")["kind"]
    told = {(kind[one.probe] == "step", one.sudden) for one in replayed(cadence).passings if one.window == "Co-57"}
    assert told == {(True, True), (False, False)}


def test_verdicts_agree_with_the_truth():
    """Of the weekly forecasts on gradual faults that are judged, four in five are judged as the true day would have them."""
    made, _ = fleet("weekly")
    faults = made.truth.faults[made.truth.faults["gradual"]]
    agree = []
    for one in replayed("weekly").forecasts:
        mine = faults[(faults["probe"] == one.probe) & (faults["onset_at"] <= one.made_at)]
        if one.window != "Co-57" or one.in_doubt or one.verdict not in ("held", "sooner", "later") or mine.empty:
            continue
        crosses = mine["crosses_10_at"].iloc[-1]
        truly = crosses.date() >= one.p05 and (one.p95 is None or crosses.date() <= one.p95)
        agree.append(truly == (one.verdict == "held"))
    assert len(agree) >= 15
    assert np.mean(agree) >= 0.8


def drifting_log(seed=5, **event):
    """Five probes read weekly for 110 weeks; P-1 loses 12 % a year from day 200 on, and so passes −10 % on day 501."""
    log = Log(seed).source()
    for n in range(1, 6):
        rate = 1500.0 + 200.0 * n

        def level(day, n=n):
            return 0.88 ** (max(day - 200.0, 0.0) / YEAR_DAYS) if n == 1 else 1.0

        log.probe(f"P-{n}").checks(f"P-{n}", weekly(110, offset=0.02 * n), rate_cps=rate, level=level)
    if event:
        log.event("P-1", **event)
    return log.records()


def test_a_plain_drift_is_told_from_first_alarm_to_the_day_it_passed():
    """The passing is dated within three weeks, the alarm before it has that lead, and the last forecasts hold it."""
    truly = 200.0 + YEAR_DAYS * np.log(0.9) / np.log(0.88)
    result = replay(drifting_log(), SHIPPED, START + timedelta(days=800))
    (passed,) = result.passings
    day = (datetime.combine(passed.passed_on, datetime.min.time()) - START).days
    assert passed.probe == "P-1"
    assert passed.direction == "low"
    assert not passed.sudden
    assert abs(day - truly) < 21
    low, high = ((datetime.combine(one, datetime.min.time()) - START).days for one in passed.passed_between)
    assert low <= truly <= high
    assert passed.lead_days == pytest.approx((datetime.combine(
        passed.passed_on, datetime.min.time()) - passed.first_alarm_at).total_seconds() / 86400, abs=1.0)
    assert passed.lead_days > 60
    assert (result.lead_times.drifts, result.lead_times.drifts_alarmed_before) == (1, 1)
    mine = [one for one in result.forecasts if one.probe == "P-1" and one.two_sided]
    assert len(mine) >= 4
    assert all(one.verdict == "held" for one in mine[-4:])


def test_forecasts_of_a_plain_drift_hold_its_passing():
    """Of the two-ended forecasts on four such logs at least three quarters hold (those of one drift go together)."""
    made = [
        one
        for seed in (1, 2, 3, 5)
        for one in replay(drifting_log(seed), SHIPPED, START + timedelta(days=800)).forecasts
        if one.probe == "P-1" and one.two_sided
    ]
    assert len(made) >= 20
    assert sum(one.verdict == "held" for one in made) >= 0.75 * len(made)
    assert all(one.limit_pct == 90.0 for one in made)


def test_what_a_service_cut_short_stays_open():
    """Forecasts on a drift that a repair ended before the limit was passed are open for ever and say why."""
    records = drifting_log(day=450.0, kind="repair", new_reference=True)
    result = replay(records, SHIPPED, START + timedelta(days=600))
    mine = [
        one for one in result.forecasts
        if one.probe == "P-1" and one.two_sided and one.made_at < START + timedelta(days=450)]
    assert mine
    assert all(one.reference_ended for one in mine)
    assert {one.verdict for one in mine} <= {"open", "later"}
    assert any(one.verdict == "open" for one in mine)


def test_a_month_without_a_check_repeats_no_forecast():
    """A forecast is counted once: at month ends before which nothing new was read it is the one that stood."""
    result = replay(drifting_log(), SHIPPED, START + timedelta(days=1500))
    last = START + timedelta(days=775)
    assert max(one.made_at for one in result.forecasts) < last + timedelta(days=31)
    assert len(result.month_ends) > 45


def test_alarms_on_probes_found_sound_are_counted_by_finding():
    """Where a service found nothing the alarms up to then are confirmed as false; without a finding they are unconfirmed."""
    made, records = fleet("weekly")
    kinds = made.truth.probes.set_index("probe")["fault"]
    sound = sorted(kinds.index[kinds == "none"])
    checked = made.starts_at + timedelta(days=900)
    outcomes = Records.table(OUTCOMES, {"probe": sound[:1], "found_at": [checked], "found": ["none"]})
    result = replay(replace(records, outcomes=outcomes), SHIPPED, made.ends_at)
    rate = result.alarm_rate
    mine = {one.episode for one in result.leads if one.probe == sound[0] and one.signalled_at <= checked}
    assert (rate.confirmed_probes, rate.confirmed_alarms) == (1, len(mine))
    first = records.readings.loc[records.readings["probe"] == sound[0], "taken_at"].min()
    assert rate.confirmed_probe_years == pytest.approx((checked - first).total_seconds() / 86400 / YEAR_DAYS)
    others = replayed("weekly").alarm_rate
    assert others.confirmed_per_probe_year is None
    assert rate.unconfirmed_probes == others.unconfirmed_probes - 1
    assert rate.unconfirmed_probes + rate.open_probes + 1 == len(kinds)


def test_a_probe_found_faulty_takes_no_part_in_false_alarms():
    """Its alarms were true; it counts neither as sound nor as open."""
    _, records = fleet("weekly")
    found = set(records.outcomes["probe"])
    rate = replayed("weekly").alarm_rate
    assert rate.unconfirmed_probes + rate.open_probes == len(records.probes) - len(found)


def test_nothing_recorded_gives_an_empty_replay():
    """No readings, and readings that do not reach over a month's end, are no error and claim nothing."""
    empty = replay(Records.nothing(), SHIPPED, START)
    assert (empty.month_ends, empty.forecasts, empty.passings, empty.causes) == ((), (), (), ())
    assert empty.coverage.coverage_pct is None
    assert empty.alarm_rate.unconfirmed_per_probe_year is None
    young = replay(Log().source().probe("P-1").checks("P-1", [0.0, 1.0]).records(), SHIPPED, START + timedelta(days=2))
    assert young.month_ends == ()
    assert young.coverage.decided == 0


def test_a_moment_before_all_records_gives_an_empty_replay():
    """Asked for a day before the first reading there is nothing to look back on."""
    assert replay(drifting_log(), SHIPPED, START - timedelta(days=90)).month_ends == ()


def test_month_ends_lie_before_the_moment():
    """The last moment of a month is an earlier month end only once it is over."""
    first, end = datetime(2024, 1, 31, 12), datetime(2024, 2, 29, 23, 59, 59, 999999)
    assert month_ends(first, end) == (datetime(2024, 1, 31, 23, 59, 59, 999999),)
    assert month_ends(first, end + timedelta(microseconds=1))[-1] == end


def test_progress_rises_to_one():
    """Whoever waits is told what is done, in rising shares that end at 1."""
    told = []
    replay(drifting_log(), SHIPPED, START + timedelta(days=300), lambda what, share: told.append((what, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert len(told) > 9
    assert all(what for what, _ in told)


@CADENCES
def test_the_document_counts_what_the_replay_holds(cadence):
    """In the JSON ``held`` is true, false or null, the coverage is their share, and every alert is there."""
    result = replayed(cadence)
    document = as_json(result)
    assert len(document["forecasts"]) == len(result.forecasts)
    both = [one["held"] for one in document["forecasts"] if one["p95"] is not None]
    decided = [one for one in both if one is not None]
    assert document["coverage"]["decided"] == len(decided)
    assert document["coverage"]["coverage_pct"] == pytest.approx(100 * sum(decided) / len(decided))
    alerts = sum(len(one.alerts) for one in assess(fleet(cadence)[1], SHIPPED, result.until).series)
    assert len(document["alerts"]) == alerts
    assert all((one["lead_days"] is None) == (one["passed_on"] is None) for one in document["alerts"])
    assert document["alarms"]["confirmed"]["per_probe_year"] is None


@pytest.mark.slow
def test_sixty_probes_and_thirty_six_months_take_less_than_a_minute():
    """The replay of 60 probes read weekly over three years costs under 60 s of one processor."""
    made = scoring_fleet(3, probes=60, years=3.0)
    records = to_records(made)
    started = time.process_time()
    result = replay(records, SHIPPED, made.ends_at)
    assert time.process_time() - started < 60.0
    assert len(result.month_ends) >= 35
