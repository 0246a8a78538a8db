"""What the People page reads and writes: who has which role."""

from __future__ import annotations

import pandas as pd

from dashboard.seam import place, sign_in
from dashboard.seam.signature import because, named


def people() -> pd.DataFrame:
    """Who has which role: person, role, since (UTC), by, reason; empty where no role was ever given."""
    from analytics.records.access import people as of_store

    return of_store(place.store_path())


def roles() -> dict[str, str]:
    """The roles, least first, each with what it may do."""
    from analytics.records.access import MAY

    return MAY


def give(person: str, role: str | None, *, by: str, reason: str) -> None:
    """Give, change, or with None end a role."""
    from analytics.records.access import give_role

    give_role(place.store_path(), person, role, by=named(by), reason=because(reason))


def first_person() -> str:
    """Who would become administrator by giving the first role: the one who is there, by the operating system."""
    return sign_in.visitor().name or ""
