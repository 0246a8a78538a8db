"""The decision table: the first row that holds, what would change it, and tables that cannot be right."""

from __future__ import annotations

import numpy as np
import pytest

from analytics import settings
from analytics.advice.decision_facts import FACTS, shown
from analytics.advice.decision_table import Row, Span, because, decide, read_condition, table_problems
from analytics.advice.decision_what_if import decide_with, lacking, would_change
from analytics.errors import UserError

SHIPPED = settings.load().decision.rows
LAST = {"row": "the rest", "advice": "use"}
SOUND = {
    "overdue": False, "unverified_return": False, "never_read": False, "too_few_checks": False, "not_told_apart": False, "alarm": frozenset(),
    "alarms_standing": 0.0, "alarms_unanswered": 0.0, "probability_outside_now": 0.01, "services_in_window": 0.0, "same_alarm_again": False,
    "inspection_failed": False, "repeat_requested": False, "goes_with_conditions": False, "not_cleared": False,
}


def rows(*given):
    """Rows from (name, advice, conditions)."""
    return [Row(row=name, advice=advice, when=when) for name, advice, when in given]


def said(**more):
    """Advice and row by the shipped table."""
    row = decide(SHIPPED, SOUND | more)
    return row.advice, row.row


CASES = [
    ({}, ("use", "nothing speaks against it")),
    ({"overdue": True, "alarm": frozenset({"tolerance"}), "alarms_standing": 1.0, "alarms_unanswered": 1.0}, ("undetermined", "a check is overdue")),
    ({"sensitivity_over_floor": 0.99}, ("retire", "below the fitness floor")),
    ({"sensitivity_over_floor": 1.0}, ("use", "nothing speaks against it")),
    ({"keep_over_replace": 1.01}, ("retire", "dearer to keep than to replace")),
    ({"services_in_window": 2.0}, ("use", "nothing speaks against it")),
    ({"services_in_window": 2.0, "alarms_standing": 1.0, "alarms_unanswered": 1.0}, ("retire", "repeated services and an alarm again")),
    ({"alarms_standing": 1.0}, ("watch", "an alarm stands")),
    ({"probability_service_not_held": 0.95}, ("retire", "the last service surely did not hold")),
    ({"probability_service_not_held": 0.7}, ("service", "the last service likely did not hold")),
    ({"probability_service_not_held": 0.4, "days_since_service": 60.0}, ("use", "nothing speaks against it")),
    ({"probability_service_not_held": 0.4, "days_since_service": 200.0}, ("service", "the last service has not shown that it held")),
    ({"inspection_failed": True}, ("service", "an inspection failed")),
    ({"alarm": frozenset({"scatter"}), "alarms_standing": 1.0, "alarms_unanswered": 1.0}, ("service", "an alarm that asks for a service")),
    ({"alarms_standing": 1.0, "alarms_unanswered": 1.0}, ("watch", "an alarm stands")),
    ({"probability_outside_before_visit": 0.6}, ("watch", "expected to leave tolerance before the next visit")),
    ({"cause": "window_slip", "cause_probability": 0.84}, ("watch", "a fault is likely though no alarm stands")),
    ({"cause": "window_slip", "cause_probability": 0.4}, ("use", "nothing speaks against it")),
    ({"cause": "record_error", "cause_probability": 0.7}, ("use", "nothing speaks against it")),
    ({"probability_outside_before_visit": 0.6, "alarms_standing": 1.0, "alarms_unanswered": 1.0}, ("service", "leaves tolerance before the next visit")),
    ({"repeat_requested": True}, ("watch", "a repeat is asked for")),
    ({"not_cleared": True}, ("watch", "waits to be cleared")),
]


@pytest.mark.parametrize(("what", "expected"), CASES)
def test_the_first_shipped_row_that_holds_decides(what, expected):
    """Each shipped row decides where its conditions hold and none above does; what is not known holds nowhere."""
    assert said(**what) == expected


def test_every_shipped_row_can_be_reached_and_asks_for_known_facts():
    """The table that is shipped has no fault of its own."""
    assert table_problems(SHIPPED) == []
    assert {name for row in SHIPPED for name in row.when} <= set(FACTS)


BAD = [
    ([{"row": "a", "advice": "use", "when": {"age": "> 1"}}, LAST], ["row `a`, field `age`", "no such fact"]),
    ([{"row": "a", "advice": "use", "when": {"age_years": "old"}}, LAST], ["row `a`, field `age_years`", "no comparison"]),
    ([{"row": "a", "advice": "use", "when": {"age_years": ["> 5", "< 3"]}}, LAST], ["row `a`, field `age_years`", "never hold"]),
    ([{"row": "a", "advice": "use", "when": {"probability_outside_now": "> 1"}}, LAST], ["field `probability_outside_now`", "never hold"]),
    ([{"row": "a", "advice": "use", "when": {"overdue": "yes"}}, LAST], ["row `a`, field `overdue`", "true or false"]),
    ([{"row": "a", "advice": "use", "when": {"cause": ["rust"]}}, LAST], ["row `a`, field `cause`", "'rust'"]),
    ([{"row": "a", "advice": "use", "when": {"alarm": []}}, LAST], ["row `a`, field `alarm`", "empty"]),
    ([{"row": "a", "advice": "scrap"}, LAST], ["decision.rows.0.advice"]),
    ([{"row": "a", "advice": "watch", "when": {"overdue": True}}], ["row `a`", "the last row must have no condition"]),
    ([], ["the last row must have no condition"]),
    ([LAST, LAST], ["stands twice", "no probe reaches it"]),
    (
        [
            {"row": "old", "advice": "retire", "when": {"age_years": "> 10"}},
            {"row": "older", "advice": "service", "when": {"age_years": ">= 12", "overdue": False}},
            LAST,
        ],
        ["row `older`, field `when` (`age_years`, `overdue`)", "no probe reaches it"],
    ),
]


@pytest.mark.parametrize(("table", "words"), BAD)
def test_a_table_that_cannot_be_right_is_refused_with_row_and_field(table, words):
    """Unknown facts, unreadable or impossible conditions, unreachable rows, no last row: said, with row and field."""
    with pytest.raises(UserError) as caught:
        settings.load({"decision": {"rows": table}})
    for word in words:
        assert word in str(caught.value)


def test_two_rows_together_can_make_a_third_unreachable():
    """Under five and from five on leave nothing of three to nine; an open gap at five leaves just that."""
    closed = rows(("a", "watch", {"age_years": ">= 5"}), ("b", "use", {"age_years": "< 5"}), ("c", "retire", {"age_years": ["> 3", "< 9"]}), ("d", "use", {}))
    assert [text for text in table_problems(closed) if "`c`" in text]
    gap = [Row(row="a", advice="watch", when={"age_years": "> 5"}), *closed[1:]]
    assert table_problems(gap) == []
    assert decide(gap, {"age_years": 5.0}).row == "c"


def test_a_row_on_other_facts_takes_nothing_for_sure():
    """A row may ask for what is not known of a probe, so a later row on another fact stays reachable."""
    table = rows(("a", "watch", {"overdue": True}), ("b", "retire", {"overdue": False}), ("c", "service", {"age_years": "> 3"}), ("d", "use", {}))
    assert table_problems(table) == []


def test_words_of_which_one_must_hold_cover_their_parts():
    """A row for scatter or side takes all of a later row for side."""
    table = rows(("a", "watch", {"alarm": ["scatter", "side"]}), ("b", "service", {"alarm": ["side"]}), ("c", "use", {}))
    assert len(table_problems(table)) == 1
    assert table_problems([table[1], table[0], table[2]]) == []


@pytest.mark.parametrize(("given", "inside", "outside"), [
    (">= 0.5", 0.5, 0.4999), ("> 0.5", 0.5001, 0.5), (["> 0.1", "<= 0.2"], 0.2, 0.1), ("< 0.5", 0.0, 0.5)])
def test_ends_of_a_comparison_are_as_written(given, inside, outside):
    """At least counts the end in, more than does not."""
    condition = read_condition("probability_outside_now", given)
    assert condition.holds(inside)
    assert not condition.holds(outside)
    assert not condition.holds(None)


def test_spans_meet_and_split():
    """Both and rest of a span are those of sets of numbers."""
    assert Span(low=1.0).both(Span(high=1.0, high_in=False)).empty
    assert not Span(low=1.0).both(Span(high=1.0)).empty
    assert [s.holds(2.0) for s in Span(1.0, True, 2.0, False).rest()] == [False, True]


def test_what_would_change_an_advice_is_said_with_the_number_it_lacks():
    """A watched probe: which figure would make it a service, and what would let it be used again."""
    watched = SOUND | {"alarms_standing": 1.0, "alarms_unanswered": 1.0, "alarm": frozenset({"change_point"}), "probability_outside_before_visit": 0.12}
    text = " ".join(would_change(SHIPPED, watched))
    assert "`service` if the probability that it leaves tolerance before the next planned visit were at least 50 % (it is 12 %)" in text
    assert "`use` if the number of alarms that stand were not at least 1 (it is 1)" in text


def test_every_change_that_is_said_does_change_the_advice():
    """A change said to lead to an advice is one single fact, and no sentence names the advice in force."""
    for what, (advice, _) in CASES:
        sentences = would_change(SHIPPED, SOUND | what)
        assert all(f"`{advice}`" not in one and "`undetermined`" not in one for one in sentences)
        assert len(sentences) == len(set(sentences)) <= 4


def test_what_a_change_decides_is_what_the_changed_facts_decide():
    """Looking only at what is changed gives the row that asking the whole table anew gives, for any facts and changes."""
    rng = np.random.default_rng(4)

    def some(name):
        fact = FACTS[name]
        if fact.kind == "yes/no":
            return bool(rng.random() < 0.2)
        if fact.words:
            words = rng.choice(fact.words, 2)
            return frozenset(map(str, words)) if fact.kind == "any of" else str(words[0])
        return None if rng.random() < 0.2 else float(rng.uniform(0.0, 1.5))

    reached = set()
    for _ in range(400):
        facts = SOUND | {str(name): some(name) for name in rng.choice(list(FACTS), 3)}
        changed = {str(name): some(name) for name in rng.choice(list(FACTS), 2)}
        then = decide_with(lacking(SHIPPED, facts), changed)
        assert then is decide(SHIPPED, facts | changed)
        reached.add(then.row)
    assert len(reached) > 8


def test_the_deciding_row_says_its_numbers():
    """Because: each condition with what was found and what it takes."""
    row = next(one for one in SHIPPED if one.row == "the last service has not shown that it held")
    text = because(row, {"probability_service_not_held": 0.41, "days_since_service": 220.0})
    assert "is 41 % (at least 30 %)" in text
    assert "is 220 d (at least 180 d)" in text
    assert because(SHIPPED[-1], {}) == "no other row holds"
    assert shown("alarm", frozenset()) == "none"
