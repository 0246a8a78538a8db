"""Who may write what: the roles, kept in the history, and the one gate that every write passes.

As long as no role was ever given, whoever may open the file may do everything: one person, on one machine. The first
person to give a role becomes administrator by that. From then on each action needs a role, a person without one may
read and nothing else, and a refused attempt is itself a row of the history.

A name that a program is given (``--by``) is a claim and no proof. Whoever knows better (the command line: the operating
system's user; the pages: who signed in) says so by ``acting``, and the role is then looked up for that person.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.errors import UserError

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

VIEWER, RECORDER, ENGINEER, PHYSICIST, ADMINISTRATOR = ROLES = (
    "viewer",
    "recorder",
    "engineer",
    "physicist",
    "administrator",
)
MAY = {
    VIEWER: "look at everything, and change nothing",
    RECORDER: "record checks, load logs, mend held rows and correct entries",
    ENGINEER: "also enter what belongs to probes, sources, loans, visits and column maps, and take loads back",
    PHYSICIST: "also exclude readings, clear probes, overrule advice, settle alerts and change settings",
    ADMINISTRATOR: "also say who has which role",
}
# The least role for each action of the history. What is not named here needs an engineer.
_NEEDS = {
    "draft": RECORDER,
    "load": RECORDER,
    "typed in": RECORDER,
    "release": RECORDER,
    "correct": RECORDER,
    "seen": RECORDER,
    "handed": RECORDER,
    "exclude": PHYSICIST,
    "include": PHYSICIST,
    "cleared": PHYSICIST,
    "overrule": PHYSICIST,
    "settled": PHYSICIST,
    "settings": PHYSICIST,
    "role": ADMINISTRATOR,
}
ROLE, REFUSED, SIGNED_IN, SHOWN = "role", "refused", "signed in", "shown"
_FREE = (REFUSED, SIGNED_IN, SHOWN)  # written by the program itself
_acting: ContextVar[str | None] = ContextVar("acting", default=None)


class RefusedError(UserError):
    """A write that the person's role does not allow; nothing was changed, and the attempt is in the history."""

    def __init__(self, who: str, role: str | None, action: str) -> None:
        self.who, self.role, self.action = who, role, action
        has = f"has the role {role}" if role else "has no role here"
        super().__init__(
            f"`{who}` {has}, and this ({action}) needs {needs(action)}", do="Ask an administrator of this store."
        )


def act_as(person: str | None) -> None:
    """Say who is really there, for the rest of this thread; None: nobody knows better than the name given."""
    _acting.set(person)


@contextmanager
def acting(person: str | None) -> Iterator[None]:
    """The same for the length of a block."""
    token = _acting.set(person)
    try:
        yield
    finally:
        _acting.reset(token)


def needs(action: str) -> str:
    """The least role for an action.

    >>> needs("exclude"), needs("loan")
    ('physicist', 'engineer')
    """
    return _NEEDS.get(action, ENGINEER)


def roles_in(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Person -> role in an open store; empty where none was ever given."""
    found: dict[str, str] = {}
    for subject, after in con.execute(
        'SELECT subject, "after" FROM change WHERE action = ? ORDER BY revision', [ROLE]
    ).fetchall():
        role = json.loads(after)["role"]
        if role is None:
            found.pop(subject, None)
        else:
            found[subject] = role
    return found


def permit(con: duckdb.DuckDBPyConnection, by: str, action: str) -> str:
    """The name to write beside a change of this kind.

    Where the person who is really there is another than the one named, both stand in it.

    Raises:
        RefusedError: the role of the person does not allow it.
    """
    if action in _FREE:
        return by
    roles = roles_in(con)
    if not roles:
        return by
    who = _acting.get() or by
    role = roles.get(who)
    if role is None or ROLES.index(role) < ROLES.index(needs(action)):
        raise RefusedError(who, role, action)
    return by if who == by else f"{by} (signed in as {who})"


def role_of(path: str | Path, person: str) -> str | None:
    """The role of a person; administrator where no role was ever given, None where the person has none."""
    from analytics.records.store import Store

    with Store(path).reading() as con:
        roles = roles_in(con)
    return roles.get(person) if roles else ADMINISTRATOR


def people(path: str | Path) -> pd.DataFrame:
    """Who has which role, by name: person, role, since (UTC), by, reason. Empty where no role was ever given."""
    from analytics.records.store import Store

    with Store(path).reading() as con:
        roles = roles_in(con)
        rows = con.execute(
            'SELECT subject AS person, changed_at_utc AS since, "by", reason FROM change WHERE action = ?'
            " QUALIFY row_number() OVER (PARTITION BY subject ORDER BY revision DESC) = 1 ORDER BY subject",
            [ROLE],
        ).df()
    rows = rows[rows["person"].isin(list(roles))].reset_index(drop=True)
    rows.insert(1, "role", [roles[one] for one in rows["person"]])
    return rows


def give_role(path: str | Path, person: str, role: str | None, *, by: str, reason: str) -> None:
    """Give a person a role, change it, or with None end it. The first to give one becomes administrator.

    Raises:
        UserError: no such role, nothing changes, no reason, or nobody would be left as administrator.
        RefusedError: only an administrator may.
    """
    from analytics.records import history
    from analytics.records.store import Store

    person = person.strip()
    if not person or len(person) > 200 or not person.isprintable():
        raise UserError("this is no name of a person", where="person", do="Give the name or address they sign in with.")
    if role is not None and role not in ROLES:
        raise UserError(f"there is no role `{role}`", do=f"Use one of: {', '.join(ROLES)}.")
    if not reason.strip():
        raise UserError("a reason is needed", where="reason", do="Say why, in a few words.")
    with Store(path).writing() as con:
        roles = roles_in(con)
        giver = _acting.get() or by.strip()
        if not roles:
            if person != giver:
                why = "first to give a role"
                history.record(
                    con, by=by, action=ROLE, subject=giver, reason=why, before={"role": None}, after={"role": ADMINISTRATOR}
                )
                roles = {giver: ADMINISTRATOR}
            elif role != ADMINISTRATOR:
                raise UserError(
                    "the first role is that of the administrator", where=person, do="Give yourself that one first."
                )
        before = roles.get(person)
        if before == role:
            raise UserError(f"`{person}` has that role already" if role else f"`{person}` has no role", do="Nothing changes.")
        if ADMINISTRATOR not in (roles | {person: role}).values():
            raise UserError(
                "nobody would be left as administrator", where=person, do="Give that role to somebody else first."
            )
        history.record(
            con, by=by, action=ROLE, subject=person, reason=reason, before={"role": before}, after={"role": role}
        )


def note_sign_in(path: str | Path, person: str, how: str) -> None:
    """Enter the first sign-in of a person on a day (UTC) in the history."""
    from datetime import UTC, datetime

    from analytics.records import history
    from analytics.records.sql import first
    from analytics.records.store import Store

    today = datetime.now(UTC).replace(tzinfo=None, hour=0, minute=0, second=0, microsecond=0)
    known = "SELECT 1 FROM change WHERE action = ? AND subject = ? AND changed_at_utc >= ? LIMIT 1"
    with Store(path).reading() as con:
        if first(con, known, [SIGNED_IN, person, today]) is not None:
            return
    with Store(path).writing() as con:
        if first(con, known, [SIGNED_IN, person, today]) is None:
            history.record(con, by=person, action=SIGNED_IN, subject=person, after={"how": how})
