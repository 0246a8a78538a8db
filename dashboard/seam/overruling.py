"""What a person decides about a probe on its page: cleared, out of use, advice overruled and taken back."""

from __future__ import annotations

from datetime import date

from analytics.advice.overrules import TAKEN_BACK, checked, written
from dashboard.seam import act


def overrule(probe: str, advice: str, until: date | None, today: date, *, by: str, reason: str) -> None:
    """Set an advice beside the computed one up to a day. UserError: no such advice, no end, or one out of reach."""
    act.decide("overrule", probe=probe, value=checked(advice, until, today), by=by, reason=reason)


def take_back(probe: str, *, by: str, reason: str) -> None:
    """Let the computed advice stand alone again."""
    act.decide("overrule", probe=probe, value=written(TAKEN_BACK, None), by=by, reason=reason)


def clear(probe: str, *, by: str, reason: str) -> None:
    """Fit for patients again, on a check that verifies it; the analysis judges whether one does."""
    act.decide("cleared", probe=probe, by=by, reason=reason)


def take_out(probe: str, *, by: str, reason: str) -> None:
    """Out of patient use until somebody clears it."""
    act.decide("out_of_use", probe=probe, by=by, reason=reason)
