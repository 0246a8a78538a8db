"""Rows of the decision table as a form has them: conditions as choices and numbers, and what was changed in sentences."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any

from analytics.advice.decision_facts import FACTS, Fact
from analytics.advice.decision_table import Condition, Span, read_condition
from dashboard.parts.words import CAUSE, PROBE, RULE

AT_LEAST, ABOVE, AT_MOST, BELOW, BETWEEN = "at least", "more than", "at most", "less than", "between"
SIGNS = (AT_LEAST, ABOVE, AT_MOST, BELOW, BETWEEN)
FIRST_NUMBER = {"probability": 0.5, "count": 1.0, "d": 180.0, "%": 5.0, "a": 8.0, "ratio": 1.0}  # of a condition just added
_WORDS: dict[str, dict[str, str]] = {"alarm": {str(k): v for k, v in RULE.items()}, "cause": {str(k): v for k, v in CAUSE.items()}}
Given = Mapping[str, Any]  # one row as the settings have it: row, advice, when


@dataclass(frozen=True)
class Bound:
    """A condition on a number as a form has it; both ends only with ``between``, which keeps whether each counts in."""

    sign: str
    low: float | None
    high: float | None
    low_in: bool = True
    high_in: bool = True


def scale(fact: Fact) -> float:
    """What a number of the table is multiplied by on the page: probabilities are typed in per cent."""
    return 100.0 if fact.unit == "probability" else 1.0


def unit(fact: Fact) -> str:
    """The unit of a number as it is typed."""
    return {"probability": "%", "count": "", "ratio": "ratio", "d": "days", "a": "years"}.get(fact.unit, fact.unit)


def bound_of(fact: Fact, span: Span) -> Bound:
    """A span of the table as sign and numbers, in the unit of the page.

    >>> bound_of(FACTS["probability_outside_now"], read_condition("probability_outside_now", ">= 0.57").span)
    Bound(sign='at least', low=57.0, high=None, low_in=True, high_in=True)
    """
    by = scale(fact)
    low = None if span.low == fact.low and span.low_in else round(span.low * by, 9)
    high = None if math.isinf(span.high) or (span.high == fact.high and span.high_in) else round(span.high * by, 9)
    if low is not None and high is not None:
        return Bound(BETWEEN, low, high, span.low_in, span.high_in)
    if high is not None:
        return Bound(AT_MOST if span.high_in else BELOW, None, high)
    return Bound(AT_LEAST if span.low_in else ABOVE, low if low is not None else round(fact.low * by, 9), None)


def comparison(fact: Fact, bound: Bound) -> str | list[str] | None:
    """The same as the settings write it; None while a number is missing.

    >>> comparison(FACTS["probability_outside_now"], Bound("between", 50.0, 90.0))
    ['>= 0.5', '<= 0.9']
    """
    by = scale(fact)

    def said(sign: str, number: float) -> str:
        return f"{sign} {number / by:.12g}"

    wanted = {AT_LEAST: (">=", None), ABOVE: (">", None), AT_MOST: (None, "<="), BELOW: (None, "<")}
    up, down = wanted.get(bound.sign, (">=" if bound.low_in else ">", "<=" if bound.high_in else "<"))
    if (up and bound.low is None) or (down and bound.high is None):
        return None
    out = [said(sign, number) for sign, number in ((up, bound.low), (down, bound.high)) if sign and number is not None]
    return out[0] if len(out) == 1 else out


def as_given(name: str, new: Any, old: Any) -> Any:
    """The new condition as the settings write it; what means the same as the old one stays as that was written."""
    try:
        return old if read_condition(name, new) == read_condition(name, old) else new
    except ValueError:  # said where the whole table is checked
        return new


def first_condition(name: str) -> Any:
    """What a condition that was just added asks, until it is set."""
    fact = FACTS[name]
    if fact.kind == "yes/no":
        return True
    if fact.kind == "number":
        return f">= {FIRST_NUMBER.get(fact.unit, 1.0):g}"
    return [fact.words[0]]


def word_of(name: str, word: str) -> str:
    """An alert rule or a cause as the pages word it."""
    return _WORDS[name].get(word, word.replace("_", " "))


def conditions_said(when: Mapping[str, Any]) -> str:
    """All conditions of a row in a phrase.

    >>> conditions_said({"overdue": True, "probability_outside_now": ">= 0.5"})
    'a check is overdue; and the probability that it is beyond tolerance now is at least 50 %'
    """
    parts = []
    for name, given in when.items():
        try:
            parts.append(_said(read_condition(name, given)))
        except ValueError:
            parts.append(f"{FACTS[name].means if name in FACTS else name}: not readable yet")
    return "; and ".join(parts) or "no row above holds"


def _said(condition: Condition) -> str:
    if not condition.words:
        return condition.said()
    words = ", ".join(word_of(condition.fact, word) for word in FACTS[condition.fact].words if word in condition.words)
    if condition.fact == "alarm":
        return f"one of these stands and no service has answered it: {words}"
    return f"{FACTS[condition.fact].means} is one of these: {words}" if len(condition.words) > 1 else f"{FACTS[condition.fact].means} is {words}"


def differences(before: Sequence[Given], after: Sequence[Given]) -> list[str]:
    """What was changed between two tables, a sentence each; rows are told apart by their names."""
    was, now = {one["row"]: one for one in before}, {one["row"]: one for one in after}
    out = [f"Gone: \u201c{name}\u201d." for name in was if name not in now]
    for number, one in enumerate(after, 1):
        if one["row"] not in was:
            out.append(f"New, as row {number}: \u201c{one['row']}\u201d, {_then(one)} if {conditions_said(one['when'])}.")
            continue
        old = was[one["row"]]
        if old["advice"] != one["advice"]:
            out.append(f"\u201c{one['row']}\u201d gives {_then(one)} and no longer {_then(old)}.")
        if old["when"] != one["when"]:
            out.append(
                f"\u201c{one['row']}\u201d asks that {conditions_said(one['when'])}; before, that {conditions_said(old['when'])}."
            )
    kept = [one["row"] for one in before if one["row"] in now]
    order = [one["row"] for one in after if one["row"] in was]
    in_place = {
        name for block in SequenceMatcher(None, kept, order, autojunk=False).get_matching_blocks()
        for name in kept[block.a : block.a + block.size]
    }  # fmt: skip
    places = {one["row"]: number for number, one in enumerate(after, 1)}
    out += [f"\u201c{name}\u201d is read as row {places[name]} now." for name in order if name not in in_place]
    return out


def _then(one: Given) -> str:
    return PROBE[one["advice"]].word
