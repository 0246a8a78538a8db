"""The plain plan."""

from __future__ import annotations

from datetime import date, datetime

import pytest

from analytics import settings as settings_module
from analytics.advice.visits import plain_plan
from analytics.errors import UserError
from analytics.planning.risk import days_beyond
from analytics.results import Crossing, DeviceResult, Overrule
from tests.advice import bench_case as case

FROM, TO = date(2026, 3, 2), date(2026, 5, 31)  # a Monday to a Sunday, 13 weeks


def plan(assessment=None, records=None, *layers, from_on=FROM, to_on=TO):
    """The plan of the coming quarter for the plain case, with what a test changes; somebody comes for every check."""
    settings = settings_module.load({"schedule": {"visit_from_days": 1}}, *layers)
    return plain_plan(assessment or case.assessment(), records or case.records(), settings, from_on, to_on)


def event(kind):
    """An event on GP-1 on 1 March, the day before the plan begins."""
    return {"event_id": [1], "probe": ["GP-1"], "happened_at": [datetime(2026, 3, 1, 9)], "kind": [kind]}


def tasks(made, kind):
    """All things of one kind in a plan: (day, probe, why)."""
    return [(visit.on, task.probe, task.why) for visit in made.visits for task in visit.probes if task.kind == kind]


def test_weekly_checks_recur_every_week():
    """A probe read every 7 days, last on Friday 27 February, is due each Friday: thirteen times in thirteen weeks."""
    due = tasks(plan(), "check")
    assert [day for day, _, _ in due][:3] == [date(2026, 3, 6), date(2026, 3, 13), date(2026, 3, 20)]
    assert len(due) == 13
    assert "7 d (its own median interval), last on 2026-02-27" in due[0][2]


def test_frequent_checks_are_the_sites_own_rounds():
    """As shipped, nobody comes for a check due every 7 days: it is a round of the site's people, next on 6 March."""
    made = plan(None, None, {"schedule": {"visit_from_days": 21}})
    assert made.visits == ()
    (one,) = made.rounds
    assert (one.probe, one.next_on, one.every_days) == ("GP-1", date(2026, 3, 6), 7.0)
    rarer = plan(None, case.records(step_days=30), {"schedule": {"visit_from_days": 21}})
    assert rarer.rounds == ()
    assert len(tasks(rarer, "check")) == 3  # 27 February + 30, 60, 90 days


def test_a_yearly_inspection_is_planned_where_it_is_scheduled():
    """Last done on 20 April 2025, every 365 days: due on 20 April 2026. Not scheduled: not planned."""
    done = {"inspections": {"inspection_id": [1], "probe": ["GP-1"], "done_at": [datetime(2025, 4, 20)],
                            "kind": ["sensitivity"]}}  # fmt: skip
    yearly = {"schedule": {"visit_from_days": 21, "inspection_days": 365}}
    due = tasks(plan(None, case.records(**done), yearly), "check")
    assert [day for day, _, _ in due] == [date(2026, 4, 20)]
    assert due[0][2].startswith("yearly inspection due every 365 d")
    assert plan(None, case.records(**done), {"schedule": {"visit_from_days": 21}}).visits == ()


def test_the_schedule_goes_before_the_probes_own_rhythm():
    """With 30 days set, the checks are 30 days apart; with 14 set for this probe, 14."""
    layer = {"schedule": {"check_days": 30}}
    own = {"schedule": {"check_days": 30, "check_days_by_probe": {"GP-1": 14}}}
    assert len(tasks(plan(None, None, layer), "check")) == 3
    assert len(tasks(plan(None, None, own), "check")) == 6


def test_a_good_check_before_use_is_not_called_a_reseated_repeat():
    """A probe that waits for a good check because it was not read is told so, and not that its last check lies far off."""
    waiting = case.probe(advice="undetermined", patient_use="repeat_first", missing=("The background is overdue.",))
    _, _, why = tasks(plan(case.assessment((waiting,))), "check")[0]
    assert why.startswith("for patients only after a good check: The background is overdue")


def test_an_overdue_check_is_due_on_the_first_day():
    """A plan that begins after the due date puts the check on its first day and says when it was due."""
    late = case.assessment(as_of=datetime(2026, 3, 30, 8))
    day, _, why = tasks(plan(late, from_on=date(2026, 3, 30)), "check")[0]
    assert (day, why.startswith("was due on 2026-03-06")) == (date(2026, 3, 30), True)


def test_checks_of_one_site_and_week_are_one_visit():
    """Six probes at two sites, all weekly: one visit a site and week, each with three probes."""
    probes = tuple(case.probe(f"GP-{n + 1}", ("North", "South")[n % 2]) for n in range(6))
    made = plan(case.assessment(probes), case.records(probes=6))
    assert len(made.visits) == 26
    assert {len(visit.probes) for visit in made.visits} == {3}


def test_daily_checks_are_one_line_a_week():
    """A probe read daily is named once a week, with how often."""
    due = tasks(plan(None, case.records(step_days=1)), "check")
    assert len(due) == 13
    assert "7 times this week" in due[1][2] or "5 times this week" in due[1][2]


def test_a_visit_never_falls_on_a_week_end():
    """Due on a Saturday means the Friday before."""
    layer = {"schedule": {"check_days": 8}}
    made = plan(None, None, layer)
    assert {visit.on.weekday() for visit in made.visits} <= {0, 1, 2, 3, 4}
    assert tasks(made, "check")[0][0] == date(2026, 3, 6)  # 27 February + 8 d is Saturday 7 March


def test_window_checks_are_planned_where_kept_or_scheduled():
    """Never recorded and not scheduled: none. Scheduled every 182 days and never done: on the first day."""
    assert tasks(plan(), "window_check") == []
    due = tasks(plan(None, None, {"schedule": {"window_check_days": 182}}), "window_check")
    assert [day for day, _, _ in due] == [FROM]


def test_advice_to_service_is_a_service_on_the_first_day():
    """The reason of the advice is the reason of the visit."""
    made = plan(case.assessment((case.probe(advice="service", reasons=("response 88 %",)),)))
    assert tasks(made, "service") == [(FROM, "GP-1", "advice is a service: response 88 %")]


def test_a_probe_to_retire_is_replaced_and_not_checked_after():
    """Replacement on the first day, and nothing for that probe later."""
    made = plan(case.assessment((case.probe(advice="retire", reasons=("third service did not hold",)),)))
    assert [task.kind for visit in made.visits for task in visit.probes] == ["replace"]


def overruled(computed, advice, until):
    """The plain plan where a person overruled the computed advice."""
    by = Overrule(advice, "A. Lind", "part on order.", datetime(2026, 3, 1, 9), until)
    return plan(case.assessment((case.probe(advice=computed, reasons=("response 88 %",), overrule=by),)))


def test_a_service_that_a_person_put_off_is_planned_when_the_overruling_ends():
    """Set to watch until 31 March: the service comes on 1 April and says who put it off and why; put off past the plan: none."""
    ((on, _, why),) = tasks(overruled("service", "watch", date(2026, 3, 31)), "service")
    assert on == date(2026, 4, 1)
    assert why == "advice is a service: response 88 % (A. Lind set it to watch until 2026-03-31: part on order)"
    assert tasks(overruled("service", "watch", date(2026, 8, 31)), "service") == []
    assert tasks(overruled("retire", "watch", date(2026, 8, 31)), "replace") == []


def test_a_service_that_a_person_asks_for_is_planned():
    """Computed `use`, set to `service`: on the first day. Computed `retire`, set to `service`: a service and no replacement."""
    for computed in ("use", "retire"):
        made = overruled(computed, "service", date(2026, 12, 31))
        assert [on for on, _, _ in tasks(made, "service")] == [FROM]
        assert tasks(made, "replace") == []


def test_a_crossing_inside_the_horizon_is_a_service_before_it_gets_likely():
    """Median 1 May, 5 % by 8 April: the service is in the week of 8 April."""
    with_crossing = case.series(crossing=case.crossing(date(2026, 4, 8), date(2026, 5, 1)))
    made = plan(case.assessment((case.probe(advice="watch"),), (with_crossing,)))
    assert [(day, probe) for day, probe, _ in tasks(made, "service")] == [(date(2026, 4, 8), "GP-1")]


def test_a_crossing_that_may_fall_inside_the_horizon_asks_for_a_look():
    """5 % by 8 April and a median next year: no service, a check on that day."""
    with_crossing = case.series(crossing=case.crossing(date(2026, 4, 8), date(2027, 1, 1)))
    made = plan(case.assessment((case.probe(advice="watch"),), (with_crossing,)))
    assert tasks(made, "service") == []
    assert any("look at the forecast" in why for _, _, why in tasks(made, "check"))


def test_a_crossing_after_the_plan_is_a_service_where_too_much_is_risked():
    """5 % by 3 March and the median on 10 June: by straight lines some 21 days are risked by 31 May, more than 7."""
    with_crossing = case.series(crossing=case.crossing(date(2026, 3, 3), date(2026, 6, 10)))
    probe = (case.probe(advice="watch"),)
    by_hand = sum(0.05 + 0.45 * n / 99 for n in range(90))
    ((day, _, why),) = tasks(plan(case.assessment(probe, (with_crossing,))), "service")
    assert day == date(2026, 3, 3)
    assert f"{by_hand:.1f} days beyond it" in why
    patient = {"schedule": {"most_risk_days": 30}}
    assert tasks(plan(case.assessment(probe, (with_crossing,)), None, patient), "service") == []


def test_after_a_repair_the_probe_is_read_and_centred_again():
    """A repair on 1 March with no reading since asks for a check on the first day."""
    repaired = case.records(events=event("repair"))
    day, _, why = tasks(plan(None, repaired), "check")[0]
    assert day == FROM
    assert "not read since repair on 2026-03-01" in why


def test_a_withdrawn_probe_is_left_out():
    """Nothing is planned for a probe withdrawn from use."""
    gone = case.records(events=event("withdrawn"))
    assert plan(None, gone).visits == ()


def test_a_probe_never_read_is_to_be_read():
    """A registered probe without any reading is due on the first day."""
    made = plan(case.assessment((case.probe(), case.probe("GP-2"))), case.records())
    assert (FROM, "GP-2", "no check on its record yet") in tasks(made, "check")


def test_a_weak_source_is_to_be_replaced_before_it_is_too_weak():
    """Too weak on 1 May inside the horizon: replace by then; too weak after it: nothing."""

    def sources(day):
        return (DeviceResult("source", "CK-1", None, "use", (), (), too_weak_on=day),)

    assert [one.replace_by for one in plan(case.assessment(sources=sources(date(2026, 5, 1)))).sources] == [
        date(2026, 5, 1)
    ]
    assert plan(case.assessment(sources=sources(date(2027, 5, 1)))).sources == ()


def test_a_source_that_moved_is_to_be_verified():
    """Verify has no replace-by date: that is not known."""
    moved = (DeviceResult("source", "CK-1", None, "verify", ("all probes on it fell 4 %",), ()),)
    (one,) = plan(case.assessment(sources=moved)).sources
    assert (one.replace_by, one.why) == (None, "verify: all probes on it fell 4 %")


def test_a_site_short_of_fit_probes_is_named():
    """Two probes must stay and one is fit: short from the first day. None is short where one is enough."""
    assert plan().uncovered == ()
    (short,) = plan(None, None, {"cover": {"least_fit_probes": 2}}).uncovered
    assert (short.site, short.on, short.fit, short.least) == ("North", FROM, 1, 2)


def test_a_forecast_service_that_breaks_the_cover_is_named():
    """The only fit probe of a site leaves it uncovered on the day of its service."""
    with_crossing = case.series(crossing=case.crossing(date(2026, 4, 8), date(2026, 5, 1)))
    (short,) = plan(case.assessment((case.probe(advice="watch"),), (with_crossing,))).uncovered
    assert (short.on, short.fit) == (date(2026, 4, 8), 0)


def test_days_at_risk_add_up_the_probability_of_having_crossed():
    """From the 5 % to the 50 % quantile straight: 10 days of 5, 9.5, … 45.5 % make 2.525 days."""
    one = Crossing(90.0, date(2026, 3, 12), date(2026, 3, 22), None, {})
    by_hand = sum(0.05 + 0.045 * n for n in range(10))
    assert days_beyond(one, FROM, date(2026, 3, 12), date(2026, 3, 22)) == pytest.approx(by_hand)


def test_a_service_in_time_takes_the_risk_away():
    """With a service at the 5 % quantile at most half a day is at risk; nothing is at risk where nothing drifts."""
    with_crossing = case.series(crossing=case.crossing(date(2026, 3, 12), date(2026, 4, 8)))
    assert 0 < plan(case.assessment((case.probe(advice="watch"),), (with_crossing,))).risk_days < 0.5
    assert plan().risk_days == 0.0


def test_cost_is_known_only_where_every_price_is():
    """13 visits at 100 are 1300; with a service and no price for it (in the same first visit) the cost is not known."""
    assert plan(None, None, {"costs": {"visit": 100}}).cost == 1300.0
    assert plan().cost is None
    service = case.assessment((case.probe(advice="service"),))
    assert plan(service, None, {"costs": {"visit": 100}}).cost is None
    assert plan(service, None, {"costs": {"visit": 100, "service": 900}}).cost == 13 * 100 + 900


@pytest.mark.parametrize(
    ("from_on", "to_on", "said"),
    [
        (TO, FROM, "before it begins"),
        (date(2025, 3, 2), date(2025, 5, 1), "before the day it is made on"),
        (FROM, date(2036, 1, 1), "five years"),
        (date(2036, 1, 1), date(2036, 3, 1), "five years"),
    ],
)
def test_a_horizon_that_makes_no_sense_is_refused(from_on, to_on, said):
    """Reversed, past and endless horizons each get a sentence."""
    with pytest.raises(UserError, match=said):
        plan(from_on=from_on, to_on=to_on)


def test_the_document_has_the_contracts_shape():
    """Keys as in the contract, and further ones; dates as ISO text; an unknown cost as None, with what is missing."""
    made = plan().as_json()
    assert list(made)[:5] == ["visits", "sources", "uncovered", "risk_days", "cost"]
    assert made["cost_missing"] == ["costs.visit"]
    assert made["visits"][0] == {
        "site": "North",
        "on": "2026-03-06",
        "probes": [
            {"probe": "GP-1", "why": "due every 7 d (its own median interval), last on 2026-02-27", "kind": "check"}
        ],
    }
    assert made["cost"] is None
