"""The log of alerts that were shown, read: which still stand, which a correction has taken back, and whether it is whole."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from analytics.named_rows import named_rows
from analytics.records.access import SHOWN
from analytics.records.alerts import COLUMNS, KEY, digest_of, shown_alerts
from analytics.records.store import Store, revision_in
from analytics.results import FleetAssessment

if TYPE_CHECKING:
    import duckdb

# An alert that stands under another rule was not taken back: who saw it hangs on series, direction and tipping counting.
STANDS = tuple(one for one in KEY if one != "rule")
NO_LOG = pd.DataFrame(columns=["alert_id", "shown_at", "revision", "config", *COLUMNS, "withdrawn"], dtype="object")
_WHAT = {
    "exclude": "reading excluded",
    "include": "exclusion taken back",
    "correct": "reading corrected",
    "undo": "load taken back",
    "settings": "settings changed",
    "load": "records loaded",
    "typed in": "records typed in",
    "release": "held rows released",
    "change": "registry changed",
}
# Changes that can take an alert back; the first of those that touch the tipping counting, else the newest of the rest.
_CLOSE = ("exclude", "correct", "undo")


@dataclass(frozen=True)
class Change:
    """A row of the history that may have taken an alert back."""

    revision: int
    action: str
    by: str
    reason: str
    subject: str
    touches: frozenset[int]  # readings
    probes: frozenset[str]  # whose readings these are

    @property
    def words(self) -> str:
        """What was done, by whom and why."""
        why = f": {self.reason}" if self.reason.strip() else ""
        return f"{_WHAT.get(self.action, self.action)} by {self.by}{why}"


def alert_log(path: str | Path) -> pd.DataFrame:
    """Everything that was ever shown, oldest first: alert_id, shown_at, revision, config, what it is about, detail."""
    with Store(path).reading() as con:
        return con.execute("SELECT * FROM alert ORDER BY alert_id").df()


def said_so_far(path: str | Path, assessment: FleetAssessment, readings: pd.DataFrame) -> pd.DataFrame:
    """The log, newest first, with ``withdrawn``: missing where the alert stands, else by what it was taken back.

    An alert stands where the present answer has one on the same series, in the same direction, tipped by the same
    counting. assessment: of now, under the store's own settings.
    """
    with Store(path).reading() as con:
        log = con.execute("SELECT * FROM alert ORDER BY alert_id DESC").df()
        oldest = int(log["revision"].min()) if len(log) else 0
        changes = _changes(con, oldest)
    now = set(_keys(shown_alerts(assessment, readings)))
    said = [
        None
        if key in now
        else withdrawn_by(changes, int(one.revision), str(one.subject), None if pd.isna(one.reading_id) else int(one.reading_id))
        for key, one in zip(_keys(log), named_rows(log), strict=True)
    ]
    return log.assign(withdrawn=pd.Series(said, index=log.index, dtype="object"))


def withdrawn_by(changes: Iterable[Change], shown_in: int, subject: str, reading: int | None) -> str:
    """Why an alert shown in a revision is not there any more, as the history has it.

    >>> left_out = Change(9, "exclude", "A. Lind", "not seated", "reading 4", frozenset({4}), frozenset({"GP-1"}))
    >>> withdrawn_by([left_out], 8, "GP-1", 4)
    'withdrawn: reading excluded by A. Lind: not seated'
    >>> withdrawn_by([left_out], 8, "GP-2", 5)
    'withdrawn after revision 8, perhaps by revision 9: reading excluded by A. Lind: not seated'
    >>> withdrawn_by([], 8, "GP-1", 4)
    'withdrawn: the program that works it out now is another'
    """
    later = [one for one in changes if one.revision > shown_in and one.action in _WHAT]
    if not later:
        return "withdrawn: the program that works it out now is another"
    for likely in (
        [one for one in later if one.action in _CLOSE and reading in one.touches],
        [one for one in later if one.action in _CLOSE and subject in one.probes],
    ):
        if likely:
            return f"withdrawn: {likely[-1].words}"
    chosen = ([one for one in later if one.action in (*_CLOSE, "include", "settings")] or later)[-1]
    return f"withdrawn after revision {shown_in}, perhaps by revision {chosen.revision}: {chosen.words}"


def problems(con: duckdb.DuckDBPyConnection) -> list[str]:
    """What is wrong with the log, in sentences; none where it is whole.

    Rows stand in the history with a digest; of those of a store from before that was so, it shows that some are missing in
    the middle, doubled, or of a revision that never was.
    """
    found = _not_as_entered(con)
    newest = revision_in(con)
    rows = con.execute("SELECT alert_id, revision FROM alert ORDER BY alert_id").fetchall()
    for place, (number, revision) in enumerate(rows, 1):
        if number != place:
            found.append(f"alert {place} is missing or given twice")
            break
        if not 0 <= revision <= newest:
            found.append(f"alert {number} was shown in revision {revision}, which there never was")
    keys = ", ".join(f'"{one}"' for one in KEY)
    found += [
        f"an alert on {subject} is there {many} times"
        for subject, many in con.execute(
            f"SELECT subject, count(*) FROM alert GROUP BY {keys} HAVING count(*) > 1 ORDER BY 1 LIMIT 20"
        ).fetchall()
    ]
    return found + [
        f"alert {number} names reading {reading}, which there is not"
        for number, reading in con.execute(
            "SELECT alert_id, reading_id FROM alert WHERE reading_id IS NOT NULL AND reading_id NOT IN"
            " (SELECT reading_id FROM reading) ORDER BY 1 LIMIT 20"
        ).fetchall()
    ]


def _not_as_entered(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Rows that are not those which the history says were added, and rows after the first of these that it does not name."""
    entered = [
        _document(after)
        for (after,) in con.execute('SELECT "after" FROM change WHERE action = ? ORDER BY revision', [SHOWN]).fetchall()
    ]
    found, expected = list[str](), None
    for one in entered:
        ends = one.get("alert_id")
        if not (isinstance(ends, list) and len(ends) == 2):
            continue  # no change of ours: the chain tells of it
        first, expected = (int(end) for end in ends)
        if digest_of(con, first, expected) != one.get("digest"):
            found.append(f"alerts {first} to {expected} are not those that were shown")
    if expected is not None:
        newer = con.execute("SELECT count(*) FROM alert WHERE alert_id > ?", [expected]).fetchall()[0][0]
        found += [f"{newer} alerts after {expected} are not in the history"] * bool(newer)
    return found


def _keys(table: pd.DataFrame) -> list[tuple[object, ...]]:
    columns = [
        table[one].astype("datetime64[us]").astype("int64").tolist()
        if one == "signalled_at"
        else [None if pd.isna(value) else str(value) for value in table[one].astype("object")]
        for one in STANDS
    ]
    return list(zip(*columns, strict=True))


def _changes(con: duckdb.DuckDBPyConnection, since: int) -> list[Change]:
    """The history from a revision on, each change with the readings it touches."""
    rows = con.execute(
        'SELECT revision, action, "by", reason, subject, "before", "after" FROM change WHERE revision > ?'
        " ORDER BY revision",
        [since],
    ).fetchall()
    found = []
    for revision, action, by, reason, subject, before, after in rows:
        content = {**_document(before), **_document(after)}
        listed = content.get("reading_id")
        touches = {one for one in (listed if isinstance(listed, list) else [listed]) if isinstance(one, int)}
        if action in ("undo", "correct") and isinstance(load := content.get("load"), int):
            loaded = con.execute('SELECT DISTINCT reading_id FROM reading WHERE "load" = ?', [load]).fetchall()
            touches |= {int(one) for (one,) in loaded}
        probes = con.execute(
            "SELECT DISTINCT probe FROM reading WHERE reading_id IN (SELECT unnest(?::BIGINT[]))", [sorted(touches)]
        ).fetchall()
        found.append(Change(int(revision), action, by, reason, subject, frozenset(touches), frozenset(one for (one,) in probes)))
    return found


def _document(text: str | None) -> dict[str, object]:
    try:
        content = json.loads(text) if text else {}
    except ValueError:
        return {}
    return content if isinstance(content, dict) else {}
