"""Name and reason that every write needs: there, or a clear line that says which is missing."""

from __future__ import annotations

from analytics.errors import UserError
from dashboard.seam.sign_in import signed


def named(by: str) -> str:
    """The name of whoever signed in, else the one typed, without blanks around it; UserError where there is none."""
    by = signed(by)
    if not by.strip():
        raise UserError(
            "no name was given", where="Your name", do="Type it; it stands beside the change in the history."
        )
    return by.strip()


def because(reason: str) -> str:
    """The reason without blanks around it; UserError where there is none."""
    if not reason.strip():
        raise UserError("no reason was given", where="Reason", do="Say in a few words why; it stands in the history.")
    return reason.strip()


def reason_in_words(code: str) -> str:
    """Why a row is held, as a sentence without its full stop; the code itself where it is not known."""
    from analytics.records.reasons import REASONS

    return REASONS[code][0] if code in REASONS else code.replace("_", " ")
