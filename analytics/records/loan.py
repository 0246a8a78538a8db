"""One entry in the register of loans: a spare of one site that is at another."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Loan:
    """Days both included; ``to_on`` None: open until somebody says that it is back."""

    loan_id: int
    probe: str
    site: str  # to which it is lent
    from_on: date
    to_on: date | None
    by: str
    note: str
