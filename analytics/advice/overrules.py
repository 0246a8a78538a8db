"""Advice overruled by a named person, with a reason and an end: shown beside what was computed, never instead of it.

A decision of the kind ``overrule`` carries ``ADVICE`` or ``ADVICE until YYYY-MM-DD``; ``computed`` takes the last one
back. An overruling changes no computed advice and makes no probe freer for patients: only a clearing on a check that
verifies it does that.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, get_args

from analytics.errors import UserError
from analytics.results import Overrule, ProbeAdvice, ProbeResult

TAKEN_BACK = "computed"
ADVICE: tuple[str, ...] = get_args(ProbeAdvice)
FORM = re.compile(rf"({'|'.join(ADVICE)}|{TAKEN_BACK})(?: until (\d{{4}}-\d{{2}}-\d{{2}}))?$")
LONGEST = timedelta(days=366)


@dataclass(frozen=True)
class Wanted:
    """What a person asks for, read from a decision's value."""

    advice: str  # an advice, or ``computed``
    until: date | None


def written(advice: str, until: date | None) -> str:
    """The value of a decision that says this.

    >>> written("watch", date(2024, 6, 30)), written("computed", None)
    ('watch until 2024-06-30', 'computed')
    """
    return advice if until is None else f"{advice} until {until.isoformat()}"


def read(value: str) -> Wanted | None:
    """The value of a decision, read; None where it says nothing that can be understood.

    >>> read("watch until 2024-06-30")
    Wanted(advice='watch', until=datetime.date(2024, 6, 30))
    """
    found = FORM.match(value.strip())
    if found is None:
        return None
    try:
        return Wanted(found[1], date.fromisoformat(found[2]) if found[2] else None)
    except ValueError:
        return None


def checked(advice: str, until: date | None, today: date) -> str:
    """The value for a new overruling. UserError: no such advice, no end, an end in the past or more than a year ahead."""
    if advice not in ADVICE:
        raise UserError(f"there is no advice `{advice}`", where="Advice", do=f"Use one of: {', '.join(ADVICE)}.")
    if until is None:
        raise UserError("an overruling needs an end", where="Until", do="Name the day up to which it stands.")
    if until < today:
        raise UserError(f"{until} is past", where="Until", do="Name a day from today on.")
    if until > today + LONGEST:
        raise UserError(f"{until} is more than a year ahead", where="Until", do="Name a nearer day and look again then.")
    return written(advice, until)


def in_force(decisions: Iterable[Any], as_of: datetime) -> Overrule | None:
    """The overruling that stands at ``as_of``; None where the newest was taken back or has ended.

    decisions: rows of one probe with ``decided_at``, ``value``, ``by``, ``reason``, of the kind ``overrule``, in order of
    their numbers.
    """
    newest = max(decisions, key=lambda one: (one.decided_at, one.decision_id), default=None)
    wanted = read(str(newest.value)) if newest is not None else None
    if newest is None or wanted is None or wanted.advice == TAKEN_BACK:
        return None
    if wanted.until is not None and as_of.date() > wanted.until:
        return None
    return Overrule(wanted.advice, str(newest.by), str(newest.reason), newest.decided_at.to_pydatetime(), wanted.until)  # type: ignore[arg-type]


def to_follow(one: ProbeResult) -> ProbeAdvice:
    """The advice that work is planned by: that of the person whose overruling stands, else the computed one.

    It frees no probe: whether it may be used for patients stays as computed.
    """
    return one.advice if one.overrule is None else one.overrule.advice


def sentence(one: Overrule, computed: str) -> str:
    """What stands among the reasons.

    >>> sentence(Overrule("watch", "A. Lind", "new cable ordered", datetime(2024, 1, 2), date(2024, 6, 30)), "service")
    'Overruled by A. Lind on 2024-01-02 as `watch` until 2024-06-30: new cable ordered. Computed: `service`; patient use is as computed.'
    """
    until = f" until {one.until.isoformat()}" if one.until is not None else ""
    reason = one.reason.rstrip(". ")
    return (
        f"Overruled by {one.by} on {one.decided_at.date().isoformat()} as `{one.advice}`{until}: {reason}. "
        f"Computed: `{computed}`; patient use is as computed."
    )
