"""What a row of the decision table may ask about a probe: each fact with its kind, its unit and its words.

A fact that is not known (None) fulfils no condition.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from analytics.results import Cause, Rule

Kind = Literal["yes/no", "number", "one of", "any of"]
Value = bool | float | str | frozenset[str] | None
Facts = Mapping[str, Value]


@dataclass(frozen=True)
class Fact:
    """One thing that can be asked. ``means`` completes "it depends on …"; ``yes``/``no`` are for yes/no facts."""

    kind: Kind
    unit: str
    means: str
    yes: str = ""
    no: str = ""
    low: float = float("-inf")  # values outside low … high cannot occur
    high: float = float("inf")
    words: tuple[str, ...] = ()


def _yes(means: str, yes: str, no: str) -> Fact:
    return Fact("yes/no", "yes/no", means, yes, no)


def _number(unit: str, means: str, high: float = float("inf")) -> Fact:
    return Fact("number", unit, means, low=0.0, high=high)


RULES: tuple[str, ...] = get_args(Rule)
CAUSES: tuple[str, ...] = get_args(Cause)
FACTS: dict[str, Fact] = {
    "overdue": _yes("whether a check is overdue", "a check is overdue", "no check is overdue"),
    "unverified_return": _yes(
        "whether it is back from service and not read again",
        "it is back from service and not read again",
        "it has been read since its service",
    ),
    "never_read": _yes("whether it was ever read", "it was never read", "it has been read"),
    "newest_not_judged": _yes(
        "whether its newest check gave a response",
        "its newest check gave no response that could be judged",
        "its newest check could be judged",
    ),
    "too_few_checks": _yes(
        "whether its reference has enough checks",
        "too few checks since its reference began",
        "enough checks since its reference began",
    ),
    "not_told_apart": _yes(
        "whether it can be told from its source",
        "what it did cannot be told from what its source did",
        "it can be told from its source",
    ),
    "alarm": Fact("any of", "alert rules", "alarms that stand and that no service has answered", words=RULES),
    "alarms_standing": _number("count", "the number of alarms that stand"),
    "alarms_unanswered": _number("count", "the number of alarms that no service has answered"),
    "cause": Fact("one of", "cause", "the likely cause", words=CAUSES),
    "cause_probability": _number("probability", "the probability of the likely cause", 1.0),
    "change_pct": _number("%", "the change of the response from its reference, without sign"),
    "probability_outside_now": _number("probability", "the probability that it is beyond tolerance now", 1.0),
    "probability_outside_before_visit": _number(
        "probability", "the probability that it leaves tolerance before the next planned visit", 1.0
    ),
    "probability_service_not_held": _number("probability", "the probability that the last service did not hold", 1.0),
    "same_alarm_again": _yes(
        "whether the same kind of alarm stood before the last service and stands again",
        "the same kind of alarm stood before the last service and stands again",
        "no alarm has come back after a service",
    ),
    "services_in_window": _number("count", "the number of recent services"),
    "days_since_service": _number("d", "days since the last service"),
    "sensitivity_over_floor": _number("ratio", "the measured sensitivity over the fitness floor"),
    "inspection_failed": _yes(
        "whether the newest inspection of a kind failed",
        "an inspection failed and none of its kind has passed since",
        "no inspection stands as failed",
    ),
    "age_years": _number("a", "years in service"),
    "age_over_life": _number("ratio", "years in service over the service life"),
    "keep_over_replace": _number(
        "ratio", "the equivalent annual cost of keeping it over that of replacing it"
    ),
    "repeat_requested": _yes("whether a repeat is asked for", "a repeat is asked for", "no repeat is asked for"),
    "goes_with_conditions": _yes(
        "whether the response goes with battery, temperature or time since switch-on",
        "the response goes with battery, temperature or time since switch-on",
        "the response goes with no condition of use",
    ),
    "not_cleared": _yes(
        "whether it waits to be cleared", "it waits to be cleared by a person", "nothing waits to be cleared"
    ),
}


def shown(name: str, value: Value) -> str:
    """A value with its unit, as it stands in a sentence.

    >>> shown("probability_service_not_held", 0.973), shown("overdue", True), shown("keep_over_replace", None)
    ('97.3 %', 'yes', 'not known')
    """
    fact = FACTS[name]
    if value is None:
        return "not known"
    if fact.kind == "yes/no":
        return "yes" if value else "no"
    if isinstance(value, frozenset):
        return ", ".join(word.replace("_", " ") for word in sorted(value)) or "none"
    if isinstance(value, str):
        return value.replace("_", " ")
    if fact.unit == "probability" and value == 1.0:
        return "over 99.9 %"
    return amount(fact, float(value))


def amount(fact: Fact, value: float) -> str:
    """A number with its unit; probabilities in per cent."""
    if fact.unit == "probability":
        if 0.999 < value < 1.0:
            return "over 99.9 %"
        return "under 0.1 %" if 0.0 < value < 0.001 else f"{100.0 * value:.3g} %"
    if fact.unit == "ratio":
        return f"{value:.2f}"
    if fact.unit == "count":
        return f"{value:g}"
    return f"{value:.3g} {fact.unit}" if value < 100 else f"{value:.0f} {fact.unit}"
