"""The first checks of a unit: which of them stand alone is known with the fifth, and nothing alarms on them before."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.baseline.logbook import Log, advice, response


def young(values, gap=30.0):
    """Four sound probes read every ``gap`` days, and one whose first checks are these multiples of its response."""
    log = Log(3).source()
    for n in range(1, 5):
        log.probe(f"S-{n}").checks(f"S-{n}", [gap * k + 0.02 * n for k in range(12)], rate_cps=3000.0)
    log.probe("X")
    for k, value in enumerate(values):
        log.checks("X", [gap * k + 0.2], rate_cps=3000.0, level=lambda _day, value=value: value)
    return [log.assess(gap * k + 1.0) for k in range(1, len(values))]


@pytest.mark.parametrize("values", [(1, 1, 0.1, 1, 1, 1), (1, 0.1, 1, 1, 1, 1), (1, 1, 0.7, 1, 1, 1)])
def test_one_wrong_check_among_the_first_three_asks_for_a_repeat_and_alarms_nothing(values):
    """Monthly checks, the second or third mistyped: repeated, never an alarm that a later check takes back, and used after it."""
    answers = young(values)
    assert all(response(one, "X").alerts == () for one in answers)
    wrong = values.index(min(values)) - 1
    assert [response(one, "X").repeat_requested for one in answers] == [k == wrong for k in range(len(answers))]
    assert advice(answers[wrong], "X").patient_use == "repeat_first"
    assert (advice(answers[-1], "X").advice, advice(answers[-1], "X").patient_use) == ("use", "allowed")


def test_a_loss_within_the_first_five_checks_is_alarmed_once_they_are_judged():
    """Three checks as before and then a third lost for good: alarmed from the fifth check on, and no alarm of then goes away."""
    given = [{(a.rule, a.signalled_at) for a in response(one, "X").alerts} for one in young((1, 1, 1, 0.67, 0.67, 0.67, 0.67))]
    assert given[-1]
    assert all(early <= late for early, late in pairwise(given))
    assert given[2] == set()
