"""What would change an advice: the single facts that, were they otherwise, would let another row of the table decide."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analytics.advice.decision_facts import FACTS, Fact, Facts, Value, shown
from analytics.advice.decision_table import Condition, Row, Span, decide

COUNTS = ("alarms_standing", "alarms_unanswered")
WITH_ALARM = {"alarm": COUNTS, "alarms_unanswered": COUNTS}  # what is counted along with an alarm that would stand
FAR = 0.9  # of the way from a probability or a ratio to what it takes: too far to be worth a sentence


def _edge(c: Condition, value: Value, *, holding: bool) -> Value:
    """The nearest value at which the condition holds (or does not)."""
    if c.yes is not None:
        return c.yes if holding else not c.yes
    if c.span is None:
        if FACTS[c.fact].kind == "any of":
            here = value if isinstance(value, frozenset) else frozenset()
            return here | {min(c.words)} if holding else here - c.words
        return min(c.words) if holding else None
    s, x = c.span, float(value) if isinstance(value, (int, float)) else _middle(c.span)
    if holding:
        low = s.low if s.low_in else math.nextafter(s.low, math.inf)
        high = s.high if s.high_in else math.nextafter(s.high, -math.inf)
        return min(max(x, low), high)
    fact: Fact = FACTS[c.fact]
    below = math.nextafter(s.low, -math.inf) if s.low_in else s.low
    above = math.nextafter(s.high, math.inf) if s.high_in else s.high
    options = [v for v in (below, above) if fact.low <= v <= fact.high and math.isfinite(v)]
    return min(options, key=lambda v: abs(v - x)) if options else None


def _middle(span: Span) -> float:
    """A number within a span: its finite end, or the middle of two."""
    ends = [v for v in (span.low, span.high) if math.isfinite(v)]
    return sum(ends) / len(ends) if ends else 0.0


def would_change(rows: Sequence[Row], facts: Facts, most: int = 4) -> tuple[str, ...]:
    """What single change of a fact would give another advice, one sentence each; the nearest first.

    Changes that only make it undetermined are left out, and of several ways to one advice two are said.

    >>> rows = [Row(row="a", advice="service", when={"probability_outside_now": ">= 0.5"}), Row(row="b", advice="use")]
    >>> would_change(rows, {"probability_outside_now": 0.2})
    ('It would become `service` if the probability that it is beyond tolerance now were at least 50 % (it is 20 %).',)
    """
    decided = decide(rows, facts)
    table = lacking(rows, facts)
    # What is changed at once is one fact and the counts that go with it: no row that lacks more can then decide.
    near = [(row, lacks) for row, lacks in table if len(lacks - {*COUNTS}) <= 1]
    seen: dict[str, list[tuple[float, str]]] = {}
    for row, lacks in table:
        for c in row.conditions():
            holds = c.fact not in lacks
            if not holds and lacks - {c.fact, *WITH_ALARM.get(c.fact, ())}:
                continue  # something else that it lacks stands as it was
            changed = _changed(c, facts, holds)
            then = decide_with(near, changed)
            if then.advice in (decided.advice, "undetermined") or (not holds and then is not row):
                continue
            text = f"It would become `{then.advice}` if {_conditional(c, facts.get(c.fact), holds)}."
            if c.span is not None and facts.get(c.fact) is None:
                continue  # what is not known cannot be said to be near
            rank = _far(c, facts.get(c.fact), changed[c.fact])
            if FAR < rank <= 1.0 and FACTS[c.fact].unit in ("probability", "ratio"):
                continue
            if text not in [known for _, known in seen.get(then.advice, [])]:
                seen.setdefault(then.advice, []).append((rank, text))
        if row is decided:
            # rows further down can only be reached by what ends this one
            break
    nearest = {advice: sorted(found) for advice, found in seen.items()}
    order = [pair for place in (0, 1) for found in nearest.values() for pair in found[place : place + 1]]
    return tuple(text for _, text in order[:most])


def _changed(c: Condition, facts: Facts, holds: bool) -> dict[str, Value]:
    """The fact as it would have to be for the condition to turn, and what goes with it: an alarm is one to be counted."""
    changed = {c.fact: _edge(c, facts.get(c.fact), holding=not holds)}
    for count in WITH_ALARM.get(c.fact, ()):
        if not holds and not facts.get(count):
            changed[count] = 1.0
    return changed


def lacking(rows: Sequence[Row], facts: Facts) -> list[tuple[Row, set[str]]]:
    """Each row with the facts of which its conditions do not hold."""
    return [(row, {c.fact for c in row.conditions() if not c.holds(facts.get(c.fact))}) for row in rows]


def decide_with(table: Sequence[tuple[Row, set[str]]], changed: Facts) -> Row:
    """The first row whose conditions all hold once these facts are changed. table: as ``lacking`` has it without the change."""
    return next(
        row
        for row, lacks in table
        if lacks <= changed.keys() and all(c.holds(changed[c.fact]) for c in row.conditions() if c.fact in changed)
    )


def _far(c: Condition, value: Value, edge: Value) -> float:
    """How far a fact is from what it takes: of numbers the share of the way, then what is not known, alarms, yes or no."""
    if c.span is None:
        return 20.0 if c.yes is None else 30.0
    if not isinstance(value, (int, float)) or not isinstance(edge, (int, float)):
        return 10.0
    return min(abs(float(value) - float(edge)) / max(abs(float(value)), abs(float(edge)), 1e-9), 1.0)


def _conditional(c: Condition, value: Value, holds: bool) -> str:
    fact = FACTS[c.fact]
    if c.span is not None:
        wanted = f"not {c.wanted()}" if holds else c.wanted()
        return f"{fact.means} were {wanted} (it is {shown(c.fact, value)})"
    if c.yes is not None:
        return fact.yes if c.yes != holds else fact.no
    if fact.kind == "any of":
        words = ", ".join(word.replace("_", " ") for word in sorted(c.words))
        if holds:
            here = c.words & (value if isinstance(value, frozenset) else frozenset())
            return f"none of these alarms stood: {', '.join(w.replace('_', ' ') for w in sorted(here))}"
        return f"one of these alarms stood: {words}"
    words = " or ".join(word.replace("_", " ") for word in sorted(c.words))
    return f"{fact.means} were {'not ' if holds else ''}{words}"
