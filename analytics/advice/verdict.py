"""From evidence to advice: use, watch, service, retire or undetermined, and whether patients may be served.

The advice is that of the first row of the decision table (``config/decision.toml``) whose conditions hold; what the rows may
ask stands in ``decision_facts``. Patient use is no row of any table: not until cleared when it was beyond the tolerance
limit or without signal and nothing has answered that, or when taken out by a person and not cleared
(``out_of_use``); repeat first while a repeat is asked for, a check is overdue, a return from service is not
verified, the newest check gave nothing to be judged by, the background is high, or an alarm stands and the level is likelier
beyond the tolerance limit than within it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import cast

from analytics.advice.causes import cause_probabilities
from analytics.advice.decision_facts import Facts
from analytics.advice.decision_table import Row, because, decide
from analytics.advice.overrules import sentence
from analytics.advice.situation import SERVICE_KINDS, Situation, facts_of
from analytics.advice.verdict_reasons import reasons
from analytics.results import Cause, PatientUse, ProbeAdvice

__all__ = ["SERVICE_KINDS", "Situation", "Verdict", "judge"]
SLIP_PROBABILITY = 0.7  # of a lone outlier that one slip explains (simulated fleets: about two in three)


@dataclass(frozen=True)
class Verdict:
    """Advice with its reasons."""

    advice: ProbeAdvice
    patient_use: PatientUse
    cause: Cause
    cause_probability: float | None
    probabilities: dict[str, float]
    reasons: tuple[str, ...]
    missing: tuple[str, ...]
    decided_by: str
    because: str
    facts: Facts


@lru_cache(maxsize=1)
def _shipped_rows() -> tuple[Row, ...]:
    from analytics import settings

    return settings.load().decision.rows


def judge(s: Situation, rows: Sequence[Row] | None = None) -> Verdict:
    """The verdict on one probe by these rows; by the shipped ones where none are given."""
    table = _shipped_rows() if rows is None else rows
    e = s.evidence
    if s.last is not None and s.last.not_held is not None and s.recent_services():
        e.goes_on, e.not_held = s.last.goes_on(), s.last.not_held
    probabilities = cause_probabilities(e)
    cause = cast(Cause, max(probabilities, key=lambda c: probabilities[c]))
    probability = probabilities[cause]
    if cause not in ("none", "unknown") and probability < 0.4:
        cause, probability = "unknown", 1.0 - probability
    if cause == "none" and s.repeat_requested and s.slip is not None:
        probabilities = {"record_error": SLIP_PROBABILITY, "unknown": 1.0 - SLIP_PROBABILITY}
        cause, probability = "record_error", SLIP_PROBABILITY
    facts = facts_of(s, cause, probability)
    row = decide(table, facts)
    said = reasons(s, facts, cause, probability)
    if s.overrule is not None:
        said.append(sentence(s.overrule, row.advice))
    return Verdict(
        row.advice,
        _patient_use(s),
        cause,
        round(probability, 4) if cause != "none" else None,
        probabilities,
        tuple(said),
        tuple(_missing(s)),
        row.row,
        because(row, facts),
        facts,
    )


def _patient_use(s: Situation) -> PatientUse:
    if s.uncleared is not None or s.out_of_use:
        return "not_until_cleared"
    high = "background" in s.evidence.open_rules
    waits = s.repeat_requested or s.overdue or s.unread_since or s.not_judged or not s.ever_read or high or s.likely_outside
    return "repeat_first" if waits else "allowed"


def _missing(s: Situation) -> list[str]:
    out = list(s.overdue)
    if s.unread_since is not None:
        out.append(f"Not read again since {s.unread_since}: a check on the source is missing.")
    elif not s.ever_read:
        out.append("No check on a source has been recorded for this probe.")
    elif s.checks_in_force < s.least_checks and not s.evidence.no_signal and not (s.unjudged is not None and s.unjudged.all):
        lack = s.least_checks - s.checks_in_force
        out.append(
            f"Only {s.checks_in_force} check{'' if s.checks_in_force == 1 else 's'} since its reference began: "
            f"{lack} more {'is' if lack == 1 else 'are'} needed."
        )
    if s.not_judged is not None:
        out.append(s.not_judged)
    if s.not_told_apart is not None:
        out.append(s.not_told_apart)
    return out
