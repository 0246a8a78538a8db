"""The pass forward: what is taken off a reading, from whom, and what it knew at that time."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import date, timedelta

import numpy as np
import pytest

from analytics.baseline.forward import Earlier, SharedPriors, month_starts, walk, walk_by_months
from tests.baseline.forward_tables import chart_rows
from tests.baseline.logbook import SHIPPED, START, Log, weekly
from tests.charts.plain_rows import plain_rows

DAY0 = (date(2022, 1, 3) - date(1970, 1, 1)).days


def passed(lengths, y, at=None, *, source=None, jig=None, variance=1e-5, uncertainty=0.015, sources=2):
    """The pass over units of one probe each, weekly from 3 January 2022, placing 0.5 %."""
    rows = plain_rows(lengths, y, at, source=source, jig=jig)
    return rows, walk(months_of(rows, variance, uncertainty, sources))


def months_of(rows, variance=1e-5, uncertainty=0.015, sources=2, earlier=None):
    """The same month by month; earlier: gone on with."""
    counting = np.full(len(rows.unit), variance)
    return walk_by_months(
        rows, counting, lambda index, _expected: counting[index], np.ones(len(rows.unit)),
        SharedPriors(np.full(sources, uncertainty**2)), reference_checks=SHIPPED.reference.readings,
        window_days=SHIPPED.shared.window_days, least_probes=SHIPPED.shared.least_probes, placing_prior=0.005**2,
        placing_prior_checks=20.0, earlier=earlier)


def weeks(units, checks):
    """Days of weekly checks, each unit a little later than the one before."""
    return np.concatenate([DAY0 + 7.0 * np.arange(checks) + 0.02 * u for u in range(units)])


def noise(units, checks, seed=1, sd=0.005):
    """Luck of so many units."""
    return sd * np.random.default_rng(seed).standard_normal((units, checks))


SPANS = [
    (date(2022, 1, 3), date(2022, 1, 3)),
    (date(2021, 11, 30), date(2022, 3, 1)),
    (date(2020, 2, 29), date(2021, 1, 31)),
]


@pytest.mark.parametrize(("first", "last"), SPANS)
def test_month_starts(first, last):
    """First of every month from that of the first day to the one after the last day."""
    low, high = ((one - date(1970, 1, 1)).days for one in (first, last))
    made = [date(1970, 1, 1) + timedelta(days=int(d)) for d in month_starts(low + 0.9, high + 0.9)]
    assert made[0] == first.replace(day=1)
    assert made[-1] > last >= made[-2]
    assert all(one.day == 1 for one in made)
    months = [12 * one.year + one.month for one in made]
    assert months == list(range(months[0], months[0] + len(months)))


def test_what_all_probes_do_together_is_taken_off():
    """Six probes step by 8 % together: the charted values stay at their levels, the step is in the shared movement."""
    y = noise(6, 40) + np.linspace(0.5, 1.0, 6)[:, None]
    y[:, 20:] += 0.08
    _, c = passed([40] * 6, y.ravel(), weeks(6, 40))
    x = c.x.reshape(6, 40)
    assert x[:, 26:].mean(axis=1) - x[:, 4:20].mean(axis=1) == pytest.approx(np.zeros(6), abs=0.008)
    assert c.shift.reshape(6, 40)[:, 26:].mean() == pytest.approx(0.08, abs=0.01)


def test_what_one_probe_does_alone_is_left_on_it_and_put_on_no_other():
    """One of six falls by 10 %: its charted values do too, the others stay where they were to within 0.3 %."""
    y = noise(6, 60)
    y[2, 30:] -= 0.1
    _, c = passed([60] * 6, y.ravel(), weeks(6, 60))
    moved = c.x.reshape(6, 60)[:, 40:].mean(axis=1) - c.x.reshape(6, 60)[:, 5:30].mean(axis=1)
    assert moved[2] == pytest.approx(-0.1, abs=0.008)
    assert np.delete(moved, 2) == pytest.approx(np.zeros(5), abs=0.004)


def test_the_judged_probe_does_not_speak_for_itself():
    """With three probes each hears two others: a blunder of its own does not change what is taken off it."""
    y = noise(3, 30)
    spoiled = y.copy()
    spoiled[1, 20] += 0.3
    _, before = passed([30] * 3, y.ravel(), weeks(3, 30))
    _, after = passed([30] * 3, spoiled.ravel(), weeks(3, 30))
    assert before.shift.reshape(3, 30)[1, 20] == after.shift.reshape(3, 30)[1, 20]
    assert before.speakers.reshape(3, 30)[1, 20] == 2


def test_too_few_probes_take_nothing_off():
    """One or two probes on a source: nothing is taken off, nothing is said to be known of it."""
    for units in (1, 2):
        y = noise(units, 30)
        _, c = passed([30] * units, y.ravel(), weeks(units, 30))
        assert (c.shift == 0).all()
        assert (c.x == y.ravel()).all()


def test_a_new_source_is_bridged_by_the_probes_read_on_both():
    """Six probes go over to a source 6 % stronger than stated: some weeks on their values are where they were."""
    y = noise(6, 40)
    y[:, 20:] += 0.06
    source = np.tile((np.arange(40) >= 20).astype(int), 6)
    _, c = passed([40] * 6, y.ravel(), weeks(6, 40), source=source)
    x = c.x.reshape(6, 40)
    assert x[:, 25:].mean(axis=1) - x[:, 4:20].mean(axis=1) == pytest.approx(np.zeros(6), abs=0.008)


def test_a_lone_probe_on_a_new_source_carries_the_certificates_uncertainty():
    """Nobody else on the new source: nothing is taken off, and both certificates' variance is on every reading."""
    y = noise(1, 30)
    source = (np.arange(30) >= 15).astype(int)
    _, c = passed([30], y.ravel(), weeks(1, 30), source=source, uncertainty=0.02)
    assert (c.persistent[:15] == 0).all()
    assert c.persistent[15:] == pytest.approx(np.full(15, 2 * 0.02**2))


def test_references_of_a_month_are_of_checks_before_it():
    """None in the first month; in the second it is that of the first month's checks, and stands for the month."""
    y = noise(4, 30)
    rows, c = passed([30] * 4, y.ravel(), weeks(4, 30))
    start = month_starts(rows.at_days.min(), rows.at_days.max())
    month = np.searchsorted(start, rows.at_days, side="right") - 1
    assert np.isnan(c.alpha_then[month == 0]).all()
    for u in range(4):
        mine = rows.unit == u
        assert all(len(np.unique(c.alpha_then[mine & (month == m)])) == 1 for m in range(1, month.max() + 1))
        first = c.x[mine & (month == 0)]
        assert c.alpha_then[mine & (month == 1)][0] == pytest.approx(np.median(first), abs=0.004)


def test_no_more_than_the_reference_checks_make_the_reference():
    """Whatever comes after the first twenty checks, the reference stays, with the error of a mean of twenty."""
    y = noise(4, 60)
    drifted = y.copy()
    drifted[0, 40:] -= 0.2
    _, plain = passed([60] * 4, y.ravel(), weeks(4, 60))
    _, moved = passed([60] * 4, drifted.ravel(), weeks(4, 60))
    assert plain.alpha[0] == moved.alpha[0]
    assert plain.reference_checks.tolist() == [20] * 4
    assert np.sqrt(plain.alpha_var) == pytest.approx(np.full(4, 0.006 / np.sqrt(20)), rel=0.6)


def test_the_reference_is_not_moved_by_a_blunder():
    """One of the first twenty checks 40 % low moves the reference by less than its own error."""
    y = noise(4, 30)
    spoiled = y.copy()
    spoiled[0, 7] -= 0.5
    _, plain = passed([30] * 4, y.ravel(), weeks(4, 30))
    _, blundered = passed([30] * 4, spoiled.ravel(), weeks(4, 30))
    assert abs(blundered.alpha[0] - plain.alpha[0]) < np.sqrt(plain.alpha_var[0])


def test_repeats_that_were_placed_anew_scatter_less():
    """Four independent placings in each check: the noise of a check has a quarter of the placing variance."""
    rows = plain_rows([30] * 3, noise(3, 30).ravel(), weeks(3, 30))
    counting = np.full(90, 1e-6)

    def run(placings):
        return walk(walk_by_months(
            rows, counting, lambda index, _y: counting[index], np.full(90, placings), SharedPriors(np.full(1, 1e-4)),
            reference_checks=20, window_days=35.0, least_probes=99, placing_prior=1e-4, placing_prior_checks=1e9))

    assert run(1.0).noise - 1e-6 == pytest.approx(4 * (run(4.0).noise - 1e-6), rel=1e-6)


def test_variance_follows_the_expected_counts_and_not_the_observed():
    """As a source decays, the variance of a check rises smoothly with the decay, whatever luck each count had."""
    log = Log(4).source().probe("P").checks("P", weekly(110), rate_cps=100.0, placing=0.002, background=False)
    for day in weekly(110):
        log.count("P", day, "background", 30)
    made, _ = chart_rows(log.records(), SHIPPED, START + timedelta(days=770))
    noise = made["noise"].to_numpy()[made["reference"].notna()]
    month = made["at"].dt.to_period("M").to_numpy()[made["reference"].notna()]
    rising = np.diff(noise)[month[1:] == month[:-1]]  # the placing spread is that of the month
    assert len(rising) > 70
    assert (rising > 0).all()
    # 100 cps for 10 s decay to 14: variance 1030 / 1000² and 170 / 140², and little placing.
    assert noise[-1] / noise[0] == pytest.approx((170 / 140**2 + 4e-6) / (1030 / 1000**2 + 4e-6), rel=0.2)


def test_an_empty_log_passes():
    """No row: arrays of nothing."""
    _, c = passed([], np.zeros(0), np.zeros(0))
    assert len(c.x) == len(c.alpha) == 0


def test_gone_on_with_from_any_month_start_it_says_the_same():
    """Units that begin and end at different times, a step, two sources, a check that closes at a month start: to the last bit."""
    lengths, rng = [40, 25, 40, 12, 33], np.random.default_rng(7)
    at = np.concatenate([DAY0 + 40.0 * unit + np.sort(rng.uniform(0.0, 300.0, n)) for unit, n in enumerate(lengths)])
    ends = np.cumsum(lengths)
    second = month_starts(at.min(), at.max())[3]
    at[ends[1] - 1], at[ends[1] - 2] = second + 1.0, second - 2.0 / 24.0
    at = np.concatenate([np.sort(one) for one in np.split(at, ends[:-1])])
    y = 0.004 * rng.standard_normal(len(at)) + np.where(at > DAY0 + 150.0, 0.05, 0.0)
    rows = plain_rows(lengths, y, at, source=(rng.uniform(size=len(at)) < 0.3).astype(np.int64))
    votes = []
    whole = walk(months_of(rows), None, votes)
    nothing = (np.zeros(rows.units), np.zeros(rows.units))
    for month in range(1, len(votes) + 1):
        spoiled = replace(whole, x=np.where(at < month_starts(at.min(), at.max())[month], whole.x, 9.0))  # of later rows nothing is taken
        said = []
        made = walk(months_of(rows, earlier=Earlier(month, spoiled, votes[month - 2] if month > 1 else nothing)), None, said, month)
        for one in fields(made):
            was, now = getattr(whole, one.name), getattr(made, one.name)
            pairs = [(was, now)] if isinstance(was, np.ndarray) else [(getattr(was, f.name), getattr(now, f.name)) for f in fields(was)]
            assert all(np.array_equal(a, b, equal_nan=a.dtype.kind == "f") for a, b in pairs), (month, one.name)
        assert len(said) == len(votes) - month + 1
        assert all(np.array_equal(a, b) for was, now in zip(votes[month - 1 :], said, strict=True) for a, b in zip(was, now, strict=True))
