"""The choice of visits: against every possible plan on small sites, against the plain plan, with loans, with bad input."""

from __future__ import annotations

from datetime import date, timedelta
from time import monotonic

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as tries
from hypothesis import strategies as st

from analytics import settings as settings_module
from analytics.advice.visits import plain_plan
from analytics.errors import UserError
from analytics.planning import service_plan as planner
from analytics.planning.risk import days_beyond
from analytics.planning.service_plan import service_plan
from analytics.records import snapshot
from analytics.records.loan import Loan
from analytics.records.snapshot import Records
from analytics.results import DeviceResult
from tests.advice import bench_case as case
from tests.planning import brute

FROM, WEEKS = date(2026, 3, 2), 8  # a Monday
TO = FROM + timedelta(days=7 * WEEKS - 1)
INTERVAL = 4  # weeks between window checks; a quarter of it may be brought forward


def day(week, weekday=0):
    """A day of the plan."""
    return FROM + timedelta(days=7 * week + weekday)


def fleet(probes, due, *, sites=("North",), late=(), **tables):
    """Probes at sites in turn; due: probe number -> day of its 5 % date; late: window checks, days before the plan."""
    names = [f"GP-{n + 1}" for n in range(probes)]
    results = tuple(
        case.probe(name, sites[n % len(sites)], advice="watch" if n in due else "use") for n, name in enumerate(names)
    )
    series = tuple(
        case.series(name, index=n, crossing=case.crossing(due[n], due[n] + timedelta(days=9)) if n in due else None)
        for n, name in enumerate(names)
    )
    records = case.records(probes=probes, sites=sites, **tables)
    return case.assessment(results, series), with_window_checks(records, names, late)


def with_window_checks(records, names, last_days):
    """The records, with three window checks of each probe: two intervals apart, the last so many days before the plan."""
    rows = [
        (name, FROM - timedelta(days=back + 7 * INTERVAL * n))
        for name, back in zip(names, last_days, strict=False)
        for n in range(3)
    ]
    if not rows:
        return records
    extra = Records.table(
        snapshot.READINGS,
        {
            "reading_id": range(9000, 9000 + len(rows)),
            "probe": [name for name, _ in rows],
            "taken_at": [on for _, on in rows],
            "window": "Co-57",
            "measurement": "window_below",
            "counts": 9000.0,
            "count_time_s": 10.0,
            "source": "CK-1",
        },
    )
    import pandas as pd

    both = pd.concat([records.readings.astype({"probe": "str"}), extra.astype({"probe": "str"})], ignore_index=True)
    made = Records.table(snapshot.READINGS, both.astype({"measurement": "str", "source": "str", "window": "str"}))
    return Records(**{**{name: getattr(records, name) for name in Records.__dataclass_fields__}, "readings": made})


def layers(least=1, **cover):
    """Settings of the small cases: the site's probes count together, a service takes two weeks."""
    return settings_module.load({"cover": {"least_fit_probes": least, "of_each": "site", **cover}})


@given(
    st.dictionaries(st.integers(0, 2), st.integers(0, 5 * 7 + 4), min_size=1, max_size=2),
    st.integers(1, 3),
    st.lists(st.integers(1, 26), min_size=0, max_size=2),
)
@tries(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
def test_no_plan_of_all_there_are_is_better(due_days, least, late):
    """The plan misses as little cover as any of all possible plans, and of those weighs as little as any.

    Three probes, up to two services and two recurring checks in eight weeks; to what an early check is told apart by.
    """
    due = {probe: FROM + timedelta(days=on) for probe, on in due_days.items()}
    assessment, records = fleet(3, due, late=late)
    settings = layers(least)
    plain = plain_plan(assessment, records, settings, FROM, TO)
    made = service_plan(assessment, records, settings, FROM, TO)

    crossings = {one.probe: one.crossing for one in assessment.series}
    today = assessment.as_of.date()
    site = brute.Site(
        WEEKS, 3, least, 2,
        {n: _friday(on) for n, on in due.items()},
        {n: [days_beyond(crossings[f"GP-{n + 1}"], today, FROM, day(w)) for w in range(WEEKS)] for n in due},
        {n: _first_due(back) for n, back in enumerate(late)},
    )  # fmt: skip
    fewest = min(brute.missing(site, one) for one in brute.service_choices(site))
    assert made.days_short == fewest
    assert bool(made.uncovered) == (fewest > 0)
    kept = not plain.uncovered
    best = brute.cheapest(
        site,
        INTERVAL,
        fewest,
        len(plain.visits) if kept else float("inf"),
        sum(site.risk[n][0] + _risk(crossings[f"GP-{n + 1}"], today, plain, n) for n in due) if kept else float("inf"),
    )
    assert _weight(made, site) == pytest.approx(best, rel=5e-3)
    assert made.gap_pct <= 0.11


def _friday(on):
    """The week of a date, a week-end being moved to the Friday before (in the first week to itself: Monday after)."""
    back = max(on.weekday() - 4, 0)
    return (on - timedelta(days=back) - FROM).days // 7


def _first_due(back):
    """The week by which a window check is due, the last being so many days before the plan."""
    return _friday(FROM - timedelta(days=back) + timedelta(days=7 * INTERVAL))


def _risk(crossing, today, plan, number):
    """Days at risk until the probe's service in a plan."""
    on = next(v.on for v in plan.visits for t in v.probes if t.probe == f"GP-{number + 1}" and t.kind == "service")
    return days_beyond(crossing, today, FROM, on)


def _weight(plan, site):
    """What a plan weighs, read off its visits."""
    total = brute.VISIT * len(plan.visits) + brute.DAY_AT_RISK * plan.risk_days
    for visit in plan.visits:
        week = (visit.on - FROM).days // 7
        for task in visit.probes:
            if task.kind == "service":
                total += brute.EARLY_SERVICE * (site.services[int(task.probe[3:]) - 1] - week)
    return total


def test_two_probes_are_not_away_at_once():
    """Both probes of a site drift and fall due in one week: one is served two weeks earlier, so that one stays."""
    assessment, records = fleet(2, {0: day(4, 2), 1: day(4, 3)})
    assert plain_plan(assessment, records, layers(), FROM, TO).uncovered
    made = service_plan(assessment, records, layers(), FROM, TO)
    assert made.uncovered == ()
    first, second = sorted(visit.on for visit in made.visits)
    assert (second - first).days >= 14
    assert second <= day(4, 2)


def test_checks_of_one_site_are_brought_together():
    """Window checks due in two neighbouring weeks are one visit in the earlier one: none is late."""
    assessment, records = fleet(2, {}, late=(26, 19))
    plain = plain_plan(assessment, records, layers(), FROM, TO)
    made = service_plan(assessment, records, layers(), FROM, TO)
    assert len(made.visits) < len(plain.visits)
    assert all(visit.on <= task.due_on for visit in made.visits for task in visit.probes)


def test_a_check_brought_forward_brings_its_successors_forward():
    """Due in weeks 1 and 5, and done in week 0 on a visit that is made anyway: the next is four weeks on, in week 4."""
    assessment, records = fleet(2, {}, late=(21,))
    pulled = (assessment.probes[0], case.probe("GP-2", advice="service"))
    plan = service_plan(case.assessment(pulled, assessment.series), records, layers(), FROM, TO)
    weeks = [(v.on - FROM).days // 7 for v in plan.visits for task in v.probes if task.kind == "window_check"]
    assert weeks == [0, 4]


@pytest.mark.parametrize("every", [22, 26, 30, 33, 45])
@pytest.mark.parametrize("first_day", [0, 2, 5])
def test_no_check_is_ever_late_and_rhythms_fall_into_step(every, first_day):
    """Four probes read every so many days, due in four different weeks: never later than due, and fewer visits."""
    assessment, records = fleet(4, {}, late=(20, 13, 6, 2))
    settings = settings_module.load(
        {"schedule": {"window_check_days": every}, "cover": {"least_fit_probes": 0, "of_each": "site"}}
    )
    begins = day(0, first_day)
    made = service_plan(assessment, records, settings, begins, begins + timedelta(days=300))
    for number, back in enumerate((20, 13, 6, 2)):
        done = [v.on for v in made.visits for task in v.probes if task.probe == f"GP-{number + 1}"]
        due = FROM - timedelta(days=back) + timedelta(days=every)
        for on in done:
            assert on <= max(due, begins + timedelta(days=2))
            due = on + timedelta(days=every)
        assert due > begins + timedelta(days=300)
    assert len(made.visits) <= made.due_dates.visits / 2


def test_a_dear_day_at_risk_buys_no_more_visits_than_the_plain_plan():
    """A service and a check of one week are one visit; the service alone in week 0 would be safer and a second visit."""
    assessment, records = fleet(2, {0: day(3, 3)}, late=(28 - 7 * 3 - 3,))
    dear = settings_module.load({"costs": {"visit": 1, "day_at_risk": 1e6}, "cover": {"of_each": "site"}})
    plain = plain_plan(assessment, records, dear, FROM, day(5))
    made = service_plan(assessment, records, dear, FROM, day(5))
    assert len(plain.visits) == len(made.visits) == 1
    assert made.risk_days < plain.risk_days
    assert (made.visits[0].on - FROM).days // 7 == 2  # as early as the check may come


@pytest.mark.parametrize("least", [1, 2, 4])
def test_never_worse_than_the_plain_plan_where_that_keeps_the_cover(least):
    """Six probes at two sites with four services: no more visits and days at risk, and no more cost."""
    due = {0: day(1), 1: day(2, 3), 2: day(5, 1), 5: day(5, 4)}
    assessment, records = fleet(6, due, sites=("North", "South"), late=(3, 9, 16, 20, 25, 11))
    priced = settings_module.load(
        {"costs": {"visit": 100, "service": 900}, "cover": {"least_fit_probes": least, "of_each": "site"}}
    )
    plain = plain_plan(assessment, records, priced, FROM, TO)
    made = service_plan(assessment, records, priced, FROM, TO)
    assert made.days_short <= plain.days_short
    if not plain.uncovered:
        assert made.cost <= plain.cost
        assert made.risk_days <= plain.risk_days
        assert len(made.visits) <= len(plain.visits)
        assert made.uncovered == ()
    assert (made.due_dates.visits, made.due_dates.cost) == (len(plain.visits), plain.cost)


def test_a_year_of_sixty_probes_at_four_sites_is_proved_in_time():
    """Sixteen services and a check of each probe every four weeks: proved within 1 % in under 20 s, and never worse."""
    due = {n: day(3 * n % 50, n % 5) for n in range(0, 60, 4)}
    assessment, records = fleet(60, due, sites=tuple("NESW"), late=[n % 27 + 1 for n in range(60)])
    year = FROM + timedelta(days=364)
    priced = settings_module.load(
        {"costs": {"visit": 300, "service": 900}, "cover": {"least_fit_probes": 13, "of_each": "site"}}
    )
    began = monotonic()
    made = service_plan(assessment, records, priced, FROM, year)
    assert monotonic() - began < 20.0
    assert made.gap_pct <= 1.0
    assert made.uncovered == ()
    assert len(made.visits) <= made.due_dates.visits
    assert made.risk_days <= made.due_dates.risk_days
    assert made.cost <= made.due_dates.cost


def test_a_spare_is_proposed_where_a_site_alone_is_short():
    """South's only probe must go for service, North has three: one of North's is to be at South meanwhile."""
    assessment, records = fleet(4, {1: day(3, 2)}, sites=("North", "South"))
    names = ("North", "South", "North", "North")
    results = tuple(case.probe(one.probe, names[n], advice=one.advice) for n, one in enumerate(assessment.probes))
    assessment = case.assessment(results, assessment.series)
    made = service_plan(assessment, records, layers(), FROM, TO)
    (visit,) = made.visits
    (loan,) = made.loans
    assert (loan.from_site, loan.to_site, made.uncovered) == ("North", "South", ())
    assert loan.from_on <= visit.on <= visit.on + timedelta(days=13) <= loan.to_on
    alone = service_plan(assessment, records, layers(lend_spares=False), FROM, TO)
    assert alone.loans == ()
    (short,) = alone.uncovered
    assert (short.site, short.fit, short.least, short.missing) == ("South", 0, 1, 10)
    assert "GP-2 is away for service" in short.why


def test_spares_are_found_also_where_all_sites_at_once_are_too_much(monkeypatch):
    """With nothing proved at once, spares are settled first and each site then by itself: the same loan and the same cover."""
    assessment, records = fleet(4, {1: day(3, 2)}, sites=("North", "South"), late=(3, 9, 16, 20))
    names = ("North", "South", "North", "North")
    results = tuple(case.probe(one.probe, names[n], advice=one.advice) for n, one in enumerate(assessment.probes))
    assessment = case.assessment(results, assessment.series)
    at_once = service_plan(assessment, records, layers(), FROM, TO)
    monkeypatch.setattr(planner, "PROVED", -1.0)
    apart = service_plan(assessment, records, layers(), FROM, TO)
    assert at_once.uncovered == apart.uncovered == ()
    assert [one.to_site for one in at_once.loans] == [one.to_site for one in apart.loans] == ["South"]
    assert len(apart.visits) == len(at_once.visits)
    assert apart.gap_pct >= at_once.gap_pct


def test_a_loan_on_the_register_counts_where_the_probe_is():
    """A probe of North lent to South covers South, is missing at North, and is fetched for its service at South."""
    assessment, records = fleet(3, {1: day(3, 2)}, sites=("North", "South"))  # 1 and 3 at North, 2 at South
    lent = (Loan(1, "GP-3", "South", FROM, None, "A. Lind", ""),)
    assert service_plan(assessment, records, layers(lend_spares=False), FROM, TO).uncovered
    assert service_plan(assessment, records, layers(), FROM, TO, lent).uncovered == ()
    (short,) = service_plan(assessment, records, layers(2, lend_spares=False), FROM, TO, lent).uncovered[:1]
    assert (short.site, short.fit) == ("North", 1)
    away = fleet(3, {2: day(3, 2)}, sites=("North", "South"))
    (visit,) = service_plan(*away, layers(), FROM, TO, lent).visits
    assert (visit.site, visit.probes[0].probe) == ("South", "GP-3")


def test_a_cover_larger_than_the_fleet_is_said():
    """Five must stay and the site has three: short on every operating day, by two, and the best plan is still given."""
    assessment, records = fleet(3, {1: day(3, 2)})
    made = service_plan(assessment, records, layers(5), FROM, TO)
    first, *_ = made.uncovered
    assert (first.site, first.on, first.least) == ("North", FROM, 5)
    assert "the site has 3 in all" in first.why
    assert [task.kind for visit in made.visits for task in visit.probes] == ["service"]


@pytest.mark.parametrize("lend_spares", [True, False])
def test_a_spare_never_leaves_a_cover_short_that_was_kept(lend_spares):
    """A site that has no probe at all wants two: North lends what it can spare at every moment, and stays covered."""
    assessment, records = fleet(3, {1: day(3, 2)})
    wants = layers(lend_spares=lend_spares, least_fit_probes_by_site={"Nowhere": 2})
    made = service_plan(assessment, records, wants, FROM, TO)
    assert {one.site for one in made.uncovered} == {"Nowhere"}
    assert bool(made.loans) == lend_spares


def test_cover_is_kept_of_each_kind():
    """Of two kinds with one probe each, a service leaves the site without one kind, unless the site counts them together."""
    assessment, records = fleet(2, {1: day(3, 2)})
    records.probes["model_type"] = ["straight", "angled"]
    (short,) = service_plan(assessment, records, settings_module.load(), FROM, TO).uncovered
    assert (short.kind, short.fit, short.least) == ("angled", 0, 1)
    assert service_plan(assessment, records, layers(), FROM, TO).uncovered == ()


def test_a_source_is_replaced_on_a_visit_to_its_site():
    """Too weak on Friday of week 5: replaced then at the latest, and on the visit of week 4 where there is one."""
    weak = (DeviceResult("source", "CK-1", "North", "use", (), (), too_weak_on=day(5, 4)),)
    assessment, records = fleet(2, {})
    alone = service_plan(case.assessment(assessment.probes, assessment.series, sources=weak), records, layers(), FROM, TO)
    assert [(visit.on, visit.sources) for visit in alone.visits] == [(day(5, 4), ("CK-1",))]
    assessment, records = fleet(2, {0: day(4, 2)})
    shared = service_plan(case.assessment(assessment.probes, assessment.series, sources=weak), records, layers(), FROM, TO)
    assert [visit.sources for visit in shared.visits] == [("CK-1",)]


def test_the_same_input_gives_the_same_plan():
    """Twice the same."""
    assessment, records = fleet(3, {0: day(2), 2: day(4)}, late=(3, 12, 20))
    assert service_plan(assessment, records, layers(), FROM, TO) == service_plan(assessment, records, layers(), FROM, TO)


def test_time_that_runs_out_still_gives_a_plan():
    """With no time at all the plan is at worst the plain one, and every service is in it."""
    assessment, records = fleet(3, {0: day(2), 2: day(4)}, late=(3, 12, 20))
    made = service_plan(assessment, records, layers(), FROM, TO, time_limit_s=0.0)
    assert {task.probe for visit in made.visits for task in visit.probes if task.kind == "service"} == {"GP-1", "GP-3"}
    assert made.gap_pct is not None


def test_nothing_due_is_an_empty_plan():
    """No task: no visit, nothing to prove."""
    assessment, records = fleet(2, {})
    made = service_plan(assessment, records, layers(), FROM, TO)
    assert (made.visits, made.uncovered, made.gap_pct) == ((), (), 0.0)


def test_a_day_and_a_week_end_are_horizons():
    """A plan of one day, and one that begins on a Saturday, hold what is due."""
    assessment, records = fleet(2, {0: day(0)})
    (visit,) = service_plan(assessment, records, layers(), FROM, FROM + timedelta(days=60)).visits
    assert visit.on == FROM
    saturday = day(0, 5)
    later = service_plan(assessment, records, layers(), saturday, saturday + timedelta(days=60))
    assert [one.on for one in later.visits] == [day(1)]
    assert service_plan(assessment, records, layers(), saturday, saturday + timedelta(days=1)).visits


def test_a_horizon_that_makes_no_sense_is_refused():
    """As for the plain plan."""
    with pytest.raises(UserError, match="before it begins"):
        service_plan(*fleet(1, {}), layers(), TO, FROM)


def test_a_missing_price_leaves_the_cost_unknown_and_named():
    """A service without a price: the cost is None, and the setting that is missing is named; the plan is the same."""
    assessment, records = fleet(1, {0: day(2)})
    made = service_plan(assessment, records, settings_module.load({"costs": {"visit": 10}}), FROM, TO)
    assert (made.cost, made.cost_missing) == (None, ("costs.service",))
    with pytest.raises(UserError, match="visit"):
        settings_module.load({"costs": {"visit": -1}})
    with pytest.raises(UserError, match="visit"):
        settings_module.load({"costs": {"visit": float("inf")}})


@pytest.mark.parametrize("weeks_later", [1, 2, 5])
def test_what_was_due_before_a_later_plan_begins_is_done_in_its_first_week(weeks_later):
    """A source too weak since a day before the plan's first, which lies weeks ahead: replaced on the first visit, no error."""
    weak = (DeviceResult("source", "CK-1", "North", "use", (), (), too_weak_on=day(0, 2)),)
    assessment, records = fleet(1, {})
    known = case.assessment(assessment.probes, assessment.series, sources=weak)
    made = service_plan(known, records, layers(), day(weeks_later), TO)
    assert [visit.sources for visit in made.visits if visit.sources] == [("CK-1",)]
    assert made.visits[0].sources == ("CK-1",)
    assert made.visits[0].on < day(weeks_later + 1)
