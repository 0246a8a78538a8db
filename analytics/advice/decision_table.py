"""The decision table: ordered rows that a user can read and change; the first row whose conditions all hold decides.

A condition is ``true``/``false``, a comparison such as ``">= 0.5"`` (several in a list must all hold), or for ``alarm`` and
``cause`` a list of words of which one must hold. A fact that is not known fulfils no condition. On reading, every row is
checked: unknown facts, comparisons that cannot be read, conditions that contradict each other, rows that no probe can
reach because earlier rows take all of theirs, and a last row that does not take the rest. Facts count as independent of
each other there.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, model_validator

from analytics.advice.decision_facts import FACTS, Facts, Value, amount, shown
from analytics.results import ProbeAdvice

COMPARISON = re.compile(r"\s*(>=|<=|>|<)\s*([-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)\s*$")
MOST_PIECES = 20_000  # a table so entangled is taken as reachable


@dataclass(frozen=True)
class Span:
    """Numbers between two ends, each counted in or not."""

    low: float = -math.inf
    low_in: bool = True
    high: float = math.inf
    high_in: bool = True

    def holds(self, value: float) -> bool:
        """Whether the number lies within."""
        return (value > self.low or (self.low_in and value == self.low)) and (
            value < self.high or (self.high_in and value == self.high)
        )

    @property
    def empty(self) -> bool:
        """Whether no number lies within."""
        return self.low > self.high or (self.low == self.high and not (self.low_in and self.high_in))

    def both(self, other: Span) -> Span:
        """Numbers within both."""
        low, low_out = max((self.low, not self.low_in), (other.low, not other.low_in))
        high, high_in = min((self.high, self.high_in), (other.high, other.high_in))
        return Span(low, not low_out, high, high_in)

    def rest(self) -> list[Span]:
        """Numbers outside, as up to two spans."""
        out = []
        if self.low > -math.inf:
            out.append(Span(high=self.low, high_in=not self.low_in))
        if self.high < math.inf:
            out.append(Span(low=self.high, low_in=not self.high_in))
        return out


@dataclass(frozen=True)
class Condition:
    """One condition of a row, read: a span of numbers, a yes or no, or words of which one must hold."""

    fact: str
    span: Span | None = None
    yes: bool | None = None
    words: frozenset[str] = frozenset()

    def holds(self, value: Value) -> bool:
        """Whether it holds; never where the value is not known."""
        if value is None:
            return False
        if self.span is not None:
            return isinstance(value, (int, float)) and self.span.holds(float(value))
        if self.yes is not None:
            return bool(value) == self.yes
        return bool(self.words & (value if isinstance(value, frozenset) else frozenset([str(value)])))

    def said(self) -> str:
        """The condition in words."""
        fact = FACTS[self.fact]
        if self.yes is not None:
            return fact.yes if self.yes else fact.no
        if self.span is not None:
            return f"{fact.means} is {self.wanted()}"
        words = ", ".join(word.replace("_", " ") for word in sorted(self.words))
        return f"one of these alarms stands: {words}" if fact.kind == "any of" else f"{fact.means} is {words}"

    def wanted(self) -> str:
        """What a number must be: at least 50 %."""
        fact, s = FACTS[self.fact], self.span or Span()
        parts = []
        if s.low > fact.low or (s.low == fact.low and not s.low_in):
            parts.append(f"{'at least' if s.low_in else 'above'} {amount(fact, s.low)}")
        if s.high < fact.high or (s.high == fact.high and not s.high_in):
            parts.append(f"{'at most' if s.high_in else 'below'} {amount(fact, s.high)}")
        return " and ".join(parts) or "known"


def read_condition(name: str, given: Any) -> Condition:
    """One condition as it stands in the file; ValueError with what is wrong."""
    if name not in FACTS:
        raise ValueError(f"there is no such fact; there are {', '.join(FACTS)}")
    fact = FACTS[name]
    if fact.kind == "yes/no":
        if not isinstance(given, bool):
            raise ValueError(f"is answered by true or false, not by {given!r}")
        return Condition(name, yes=given)
    listed = given if isinstance(given, (list, tuple)) else [given]
    if not listed:
        raise ValueError("the list is empty, so that it could never hold")
    if fact.kind in ("one of", "any of"):
        if unknown := [word for word in listed if word not in fact.words]:
            raise ValueError(f"{', '.join(map(repr, unknown))} is none of {', '.join(fact.words)}")
        return Condition(name, words=frozenset(map(str, listed)))
    span = Span(fact.low, True, fact.high, True)
    for one in listed:
        if not isinstance(one, str) or (found := COMPARISON.match(one)) is None:
            raise ValueError(f'{one!r} is no comparison such as ">= 0.5" or "< 20"')
        sign, number = found[1], float(found[2])
        part = Span(low=number, low_in=sign == ">=") if sign[0] == ">" else Span(high=number, high_in=sign == "<=")
        span = span.both(part)
    if span.empty:
        low, high = f"{fact.low:g}", "no end" if math.isinf(fact.high) else f"{fact.high:g}"
        raise ValueError(f"{listed if len(listed) > 1 else listed[0]!r} can never hold ({fact.unit}, from {low} to {high})")
    return Condition(name, span=span)


class Row(BaseModel):
    """One row: its name, the advice it gives, and the conditions that must all hold."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    row: str = Field(min_length=1, max_length=80, description="Name of the row, said where it decides.")
    advice: ProbeAdvice = Field(description="Advice that it gives.")
    when: dict[str, Any] = Field(default_factory=dict, description="Conditions that must all hold; none: always.")

    @cached_property
    def _read(self) -> tuple[Condition, ...]:
        return tuple(read_condition(name, given) for name, given in self.when.items())

    def conditions(self) -> tuple[Condition, ...]:
        """The conditions, read once: the whole fleet asks for them."""
        return self._read

    @model_validator(mode="after")
    def _readable(self) -> Row:
        problems = []
        for name, given in self.when.items():
            try:
                read_condition(name, given)
            except ValueError as error:
                problems.append(f"row `{self.row}`, field `{name}`: {error}")
        if problems:
            raise ValueError("; ".join(problems))
        return self


@dataclass(frozen=True)
class _Box:
    """Probes alike in what earlier rows asked: per fact what is still possible. Facts not named: anything."""

    spans: Mapping[str, Span]
    answers: Mapping[str, frozenset[Any]]  # yes/no and "one of" facts: answers still possible
    any_of: tuple[frozenset[str], ...] = ()  # alarms: one of each of these stands
    none_of: frozenset[str] = frozenset()

    def narrowed(self, c: Condition) -> _Box | None:
        """The part of it where the condition holds; None where there is none."""
        if c.span is not None:
            span = self.spans.get(c.fact, Span(FACTS[c.fact].low, True, FACTS[c.fact].high, True)).both(c.span)
            return None if span.empty else self._with(spans={**self.spans, c.fact: span})
        if FACTS[c.fact].kind == "any of":
            every = (*self.any_of, c.words)
            return None if any(one <= self.none_of for one in every) else self._with(any_of=every)
        wanted = frozenset([c.yes]) if c.yes is not None else c.words
        left = self.answers.get(c.fact, wanted) & wanted
        return self._with(answers={**self.answers, c.fact: left}) if left else None

    def without(self, c: Condition) -> Iterator[_Box]:
        """The parts of it where the condition does not hold."""
        if c.span is not None:
            for rest in c.span.rest():
                part = self.narrowed(Condition(c.fact, span=rest))
                if part is not None:
                    yield part
        elif FACTS[c.fact].kind == "any of":
            none = self.none_of | c.words
            if not any(one <= none for one in self.any_of):
                yield self._with(none_of=none)
        else:
            every = frozenset([True, False]) if c.yes is not None else frozenset(FACTS[c.fact].words)
            left = self.answers.get(c.fact, every) - (frozenset([c.yes]) if c.yes is not None else c.words)
            if left:
                yield self._with(answers={**self.answers, c.fact: left})

    def _with(self, **what: Any) -> _Box:
        return replace(self, **what)


def _not_taken(box: _Box, row: Row) -> Iterator[_Box]:
    """The parts of a box that a row does not take."""
    here: _Box | None = box
    for condition in row.conditions():
        if here is None:
            return
        yield from here.without(condition)
        here = here.narrowed(condition)


def table_problems(rows: Sequence[Row]) -> list[str]:
    """What is wrong with the rows together: names twice, rows that nothing reaches, a last row that leaves some out."""
    out = []
    names = [row.row for row in rows]
    out += [f"row `{name}`, field `row`: the name stands twice" for name in sorted({n for n in names if names.count(n) > 1})]
    for number, row in enumerate(rows):
        start: _Box | None = _Box({}, {})
        for condition in row.conditions():
            start = start.narrowed(condition) if start is not None else None
        left = [start] if start is not None else []
        # What a row does not ask for may be not known, and then no earlier row that asks for it takes the case.
        for earlier in (one for one in rows[:number] if one.when.keys() <= row.when.keys()):
            left = [piece for box in left for piece in _not_taken(box, earlier)]
            if not left or len(left) > MOST_PIECES:
                break
        if not left:
            fields = ", ".join(f"`{name}`" for name in row.when) or "no condition"
            out.append(f"row `{row.row}`, field `when` ({fields}): no probe reaches it, the rows above take all of its cases")
    if not rows or rows[-1].when:
        last = f"row `{rows[-1].row}`, field `when`" if rows else "field `rows`"
        out.append(f"{last}: the last row must have no condition, so that every probe gets an advice")
    return out


def decide(rows: Sequence[Row], facts: Facts) -> Row:
    """The first row whose conditions all hold."""
    return next(row for row in rows if all(c.holds(facts.get(c.fact)) for c in row.conditions()))


def because(row: Row, facts: Facts) -> str:
    """The conditions of a row with what was found, in one phrase.

    >>> row = Row(row="drifts", advice="service", when={"probability_outside_now": ">= 0.5"})
    >>> because(row, {"probability_outside_now": 0.83})
    'the probability that it is beyond tolerance now is 83 % (at least 50 %)'
    """
    parts = []
    for c in row.conditions():
        value = facts.get(c.fact)
        if c.span is not None:
            parts.append(f"{FACTS[c.fact].means} is {shown(c.fact, value)} ({c.wanted()})")
        elif isinstance(value, frozenset):
            parts.append(f"alarm: {shown(c.fact, value & c.words)}")
        elif c.words:
            parts.append(f"{FACTS[c.fact].means} is {shown(c.fact, value)}")
        else:
            parts.append(c.said())
    return "; ".join(parts) or "no other row holds"
