"""The register of loans: a spare of one site at another, entered, brought back, taken back; each with who and why.

A loan that was entered by mistake is taken back: it keeps its row and no longer has a length, and that can be undone.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.errors import UserError
from analytics.records import history, visible
from analytics.records.columns import TABLES
from analytics.records.loan import Loan
from analytics.records.sql import first, scalar
from analytics.records.store import Store

if TYPE_CHECKING:
    import duckdb

_LISTED = 'loan_id, probe, site, from_at, to_at, "by", note'


def lend(
    path: str | Path,
    probe: str,
    site: str,
    from_on: date,
    to_on: date | None,
    *,
    by: str,
    note: str,
) -> int:
    """Enter a loan, days both included (``to_on`` None: open); returns its number.

    Raises:
        UserError: no such probe or site, its own site, days the wrong way round, lent already in these days, no note.
    """
    if not note.strip():
        raise UserError("no reason was given", where="Note", do="Say in a few words why; it stands in the history.")
    if to_on is not None and to_on < from_on:
        raise UserError(
            f"the loan would end on {to_on}, before it begins on {from_on}", where="loan", do="Mend the days."
        )
    with Store(path).writing() as con:
        home = first(con, f"SELECT site FROM ({visible.current(TABLES['probes'])}) WHERE probe = ?", [probe])
        if home is None:
            raise UserError(
                f"there is no probe `{probe}`", where=str(path), do="Check its id: case and leading zeros count."
            )
        sites = {name for (name,) in con.execute(f"SELECT DISTINCT site FROM site WHERE {visible.LIVE}").fetchall()}
        if site not in sites:
            raise UserError(f"there is no site `{site}`", where=str(path), do=f"Known: {', '.join(sorted(sites))}.")
        if home[0] == site:
            raise UserError(f"{probe} is at home at {site}", where="loan", do="Name the site it is lent to.")
        for other in _listed(con):
            if other.probe == probe and _overlap(other, from_on, to_on):
                raise UserError(
                    f"{probe} is lent to {other.site} from {other.from_on} to {other.to_on or 'an open end'}",
                    where="loan",
                    do="Bring that loan back first, or choose other days.",
                )
        number = int(scalar(con, "SELECT coalesce(max(loan_id), 0) + 1 FROM spare_loan"))
        con.execute(
            "INSERT INTO spare_loan VALUES (?, ?, ?, ?, ?, ?, ?)",
            [number, probe, site, _start(from_on), None if to_on is None else _end(to_on), by, note.strip()],
        )
        history.record(
            con,
            by=by,
            action="lend",
            subject=probe,
            reason=note.strip(),
            after={"loan_id": number, "site": site, "from": from_on, "to": to_on},
        )
        return number


def end_loan(path: str | Path, loan_id: int, to_on: date | None, *, by: str, reason: str) -> None:
    """Set the last day of a loan, when it is back or is to stay longer; None leaves the end open.

    Raises:
        UserError: no such loan, an end before its beginning, another loan in the way, no reason.
    """

    def checked(con: duckdb.DuckDBPyConnection, loan: Loan) -> datetime | None:
        if to_on is not None and to_on < loan.from_on:
            raise UserError(
                f"loan {loan_id} begins on {loan.from_on}", where="loan", do="End it later, or take it back."
            )
        for other in _listed(con):
            if other.probe == loan.probe and other.loan_id != loan_id and _overlap(other, loan.from_on, to_on):
                raise UserError(
                    f"{loan.probe} is lent to {other.site} from {other.from_on}", where="loan", do="End it earlier."
                )
        return None if to_on is None else _end(to_on)

    _change(path, loan_id, "end loan", checked, by=by, reason=reason)


def take_back(path: str | Path, loan_id: int, *, by: str, reason: str) -> None:
    """Undo a loan that was entered by mistake; UserError where there is none, or no reason."""
    _change(path, loan_id, "take back loan", lambda _con, loan: _start(loan.from_on), by=by, reason=reason)


def loans(path: str | Path) -> tuple[Loan, ...]:
    """The loans in force, those over included, those taken back not; in the order in which they begin."""
    with Store(path).reading() as con:
        return tuple(one for one in _listed(con))


def register(path: str | Path) -> pd.DataFrame:
    """Every entry, newest first: loan_id, probe, site, from_on, to_on, by, note, taken_back."""
    with Store(path).reading() as con:
        rows = con.execute(f"SELECT {_LISTED} FROM spare_loan ORDER BY loan_id DESC").fetchall()
    made = [_loan(row) for row in rows]
    return pd.DataFrame(
        {
            "loan_id": [one.loan_id for one in made],
            "probe": [one.probe for one in made],
            "site": [one.site for one in made],
            "from_on": [one.from_on for one in made],
            "to_on": [one.to_on for one in made],
            "by": [one.by for one in made],
            "note": [one.note for one in made],
            "taken_back": [row[4] == row[3] for row in rows],
        }
    )


def _change(path: str | Path, loan_id: int, action: str, end: Any, *, by: str, reason: str) -> None:
    if not reason.strip():
        raise UserError("no reason was given", where="Reason", do="Say in a few words why; it stands in the history.")
    with Store(path).writing() as con:
        row = first(con, f"SELECT {_LISTED} FROM spare_loan WHERE loan_id = ?", [loan_id])
        if row is None:
            raise UserError(f"there is no loan {loan_id}", where=str(path), do="The register lists their numbers.")
        loan = _loan(row)
        new = end(con, loan)
        con.execute("UPDATE spare_loan SET to_at = ? WHERE loan_id = ?", [new, loan_id])
        history.record(
            con,
            by=by,
            action=action,
            subject=loan.probe,
            reason=reason.strip(),
            before={"loan_id": loan_id, "to": loan.to_on},
            after={"loan_id": loan_id, "to": None if new is None else new.date()},
        )


def _listed(con: duckdb.DuckDBPyConnection) -> list[Loan]:
    rows = con.execute(
        f"SELECT {_LISTED} FROM spare_loan WHERE to_at IS NULL OR to_at > from_at ORDER BY from_at, loan_id"
    ).fetchall()
    return [_loan(row) for row in rows]


def _loan(row: tuple[Any, ...]) -> Loan:
    number, probe, site, start, end, by, note = row
    loan = Loan(int(number), probe, site, start.date(), None if end is None else end.date(), by, note or "")
    return loan if end is None or end > start else replace(loan, to_on=None)


def _overlap(loan: Loan, from_on: date, to_on: date | None) -> bool:
    return (to_on is None or loan.from_on <= to_on) and (loan.to_on is None or from_on <= loan.to_on)


def _start(on: date) -> datetime:
    return datetime(on.year, on.month, on.day)


def _end(on: date) -> datetime:
    """The last second of a day: a loan of one day has a length, one that was taken back has none."""
    return datetime(on.year, on.month, on.day, 23, 59, 59)
