"""What people decide about readings and probes: exclusions, corrections, clearances; each with who, when and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.errors import UserError
from analytics.records import history, visible
from analytics.records.columns import TABLES
from analytics.records.corrections import correct
from analytics.records.sql import first, literal, quoted, scalar
from analytics.records.store import Store
from analytics.records.store_settings import site_now, zone_in

if TYPE_CHECKING:
    import duckdb

__all__ = ["DECISIONS", "change_registry", "correct", "decide", "exclude", "exclusions", "find_readings", "include"]
DECISIONS = ("cleared", "out_of_use", "overrule", "seen", "handed", "settled")


def _ids(reading_id: int | Iterable[int]) -> list[int]:
    return [reading_id] if isinstance(reading_id, int) else sorted({int(one) for one in reading_id})


def _needs_reason(reason: str) -> None:
    if not reason.strip():
        raise UserError("a reason is needed", where="--reason", do="Say why, in a few words.")


def exclude(path: str | Path, reading_id: int | Iterable[int], *, by: str, reason: str) -> int:
    """Hide readings from the analysis; returns how many. They stay visible on charts and can be taken back.

    Raises:
        UserError: no reason, no such reading, or it is excluded already.
    """
    _needs_reason(reason)
    ids = _ids(reading_id)
    with Store(path).writing() as con:
        _must_exist(con, ids)
        open_ones = con.execute(
            "SELECT reading_id FROM exclusion WHERE lifted_at IS NULL AND reading_id IN (SELECT unnest(?)) ORDER BY 1",
            [ids],
        ).fetchall()
        if open_ones:
            raise UserError(
                f"excluded already: reading {', '.join(str(one) for (one,) in open_ones)}",
                do="Take it back first, or leave it.",
            )
        moment = site_now(zone_in(con))
        con.execute("INSERT INTO exclusion SELECT unnest(?), ?, ?, ?, NULL, NULL, NULL", [ids, moment, by, reason])
        history.record(
            con,
            by=by,
            action="exclude",
            subject=_readings(ids),
            reason=reason,
            before={"excluded": False},
            after={"reading_id": ids, "excluded": True, "at": moment},
        )
    return len(ids)


def include(path: str | Path, reading_id: int | Iterable[int], *, by: str, reason: str) -> int:
    """Take exclusions back; returns how many. UserError where a reading is not excluded."""
    _needs_reason(reason)
    ids = _ids(reading_id)
    with Store(path).writing() as con:
        open_ones = {
            one
            for (one,) in con.execute(
                "SELECT reading_id FROM exclusion WHERE lifted_at IS NULL AND reading_id IN (SELECT unnest(?))", [ids]
            ).fetchall()
        }
        if missing := [one for one in ids if one not in open_ones]:
            raise UserError(f"not excluded: {_readings(missing)}", do="Nothing needs to be taken back.")
        moment = site_now(zone_in(con))
        con.execute(
            "UPDATE exclusion SET lifted_at = ?, lifted_by = ?, lift_reason = ? WHERE lifted_at IS NULL AND"
            " reading_id IN (SELECT unnest(?))",
            [moment, by, reason, ids],
        )
        history.record(
            con,
            by=by,
            action="include",
            subject=_readings(ids),
            reason=reason,
            before={"excluded": True},
            after={"reading_id": ids, "excluded": False, "at": moment},
        )
    return len(ids)


def exclusions(path: str | Path) -> pd.DataFrame:
    """The exclusions in force: reading_id, excluded_at, by, reason."""
    with Store(path).reading() as con:
        return con.execute(
            'SELECT reading_id, excluded_at, "by", reason FROM exclusion WHERE lifted_at IS NULL ORDER BY'
            " excluded_at, reading_id"
        ).df()


def _readings(ids: list[int]) -> str:
    shown = ", ".join(map(str, ids[:10])) + (f" and {len(ids) - 10} more" if len(ids) > 10 else "")
    return f"reading{'s' if len(ids) > 1 else ''} {shown}"


def _must_exist(con: duckdb.DuckDBPyConnection, ids: list[int]) -> None:
    known = {
        one
        for (one,) in con.execute(
            f"SELECT DISTINCT reading_id FROM reading WHERE {visible.LIVE} AND reading_id IN (SELECT unnest(?))", [ids]
        ).fetchall()
    }
    if missing := [one for one in ids if one not in known]:
        raise UserError(f"there is no {_readings(missing)}", do="The probe's page shows the numbers of its readings.")


def find_readings(
    path: str | Path,
    *,
    probe: str | None = None,
    taken_at: datetime | None = None,
    window: str | None = None,
    measurement: str | None = None,
) -> pd.DataFrame:
    """The readings that fit everything asked for, in time order, with the columns of the table and ``excluded``."""
    wanted = {"probe": probe, "taken_at": taken_at, "window": window, "measurement": measurement}
    given = {name: value for name, value in wanted.items() if value is not None}
    where = " AND ".join(f"r.{quoted(name)} = ?" for name in given) or "true"
    with Store(path).reading() as con:
        return con.execute(
            f"SELECT r.*, r.reading_id IN (SELECT reading_id FROM exclusion WHERE lifted_at IS NULL) AS excluded"
            f" FROM ({visible.current(TABLES['readings'])}) r WHERE {where} ORDER BY taken_at, reading_id",
            list(given.values()),
        ).df()


def decide(
    path: str | Path,
    kind: str,
    *,
    probe: str | None,
    by: str,
    reason: str,
    value: str | None = None,
    episode: str | None = None,
    now: datetime | None = None,
) -> int:
    """Record a person's decision; returns its number.

    kind: ``cleared`` (fit for patients again), ``out_of_use``, ``overrule`` (value: the advice that stands instead),
    ``seen``, ``handed`` (value: to whom) or ``settled`` (episode: of the alert).

    Raises:
        UserError: unknown kind, no reason, no such probe, or what the kind needs is missing.
    """
    if kind not in DECISIONS:
        raise UserError(f"there is no decision `{kind}`", do=f"Use one of: {', '.join(DECISIONS)}.")
    if kind != "seen":
        _needs_reason(reason)
    if kind == "overrule" and not value:
        raise UserError("an overruling needs the advice that stands instead", do="Say which.")
    if kind == "handed" and not (value or "").strip():
        raise UserError("nobody is named to hand it to", do="Name the person.")
    if kind in ("seen", "handed", "settled") and not episode:
        raise UserError("the alert is not named", do="Name its episode.")
    if kind in ("cleared", "out_of_use", "overrule") and not probe:
        raise UserError("the probe is not named", do="Name it.")
    with Store(path).writing() as con:
        if (
            probe is not None
            and first(con, f"SELECT 1 FROM ({visible.known_probes()}) WHERE name = ?", [probe]) is None
        ):
            raise UserError(
                f"there is no probe `{probe}`", where=str(path), do="Check its id: case and leading zeros count."
            )
        number = int(scalar(con, "SELECT coalesce(max(decision_id), 0) + 1 FROM decision"))
        moment = now or site_now(zone_in(con))
        stood = first(
            con,
            "SELECT decision_id, kind, value, episode FROM decision WHERE probe IS NOT DISTINCT FROM ?"
            " AND (? IS NULL OR episode = ?) ORDER BY decision_id DESC LIMIT 1",
            [probe, episode, episode],
        )
        con.execute(
            "INSERT INTO decision VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [number, probe, moment, kind, value, episode, by, reason],
        )
        history.record(
            con,
            by=by,
            action=kind,
            subject=probe or episode or "",
            reason=reason,
            before=dict(zip(("stood", "kind", "value", "episode"), stood, strict=True)) if stood else None,
            after={"decision_id": number, "value": value, "episode": episode, "probe": probe, "at": moment},
        )
        return number


def change_registry(
    path: str | Path,
    kind: str,
    key: str,
    changes: Mapping[str, Any],
    *,
    by: str,
    reason: str,
    now: datetime | None = None,
) -> None:
    """Change the entry of a probe, source or window; the old one stays in the history. None blanks a column.

    Raises:
        UserError: no such entry, or a value that would be held in a file.
    """
    from analytics.records.load import Plan, commit
    from analytics.records.merge import Permits
    from analytics.records.typed_in import staged_rows

    table = TABLES[kind]
    named = quoted(table.key[0])
    if table.key[0] in changes:
        raise UserError(f"the id `{key}` cannot be changed", where=kind, do="Enter a new one and withdraw this one.")
    with Store(path).reading() as con:
        found = con.execute(
            f"SELECT {', '.join(map(quoted, table.names))} FROM ({visible.current(table)}) WHERE {named} ="
            f" {literal(key)}"
        ).fetchall()
    if not found:
        raise UserError(
            f"there is no `{key}` among the {kind}", where=str(path), do="Check its id: case and leading zeros count."
        )
    row = dict(zip(table.names, found[0], strict=True)) | dict(changes)
    with staged_rows(path, kind, [row], now=now, name=f"{kind} {key}") as staging:
        plan = Plan(by, Permits(accept_changes=True), "change", reason, all_or_none=True, entry=(kind, key))
        report = commit(path, staging, plan)
    if report.held:
        bad = report.held[0]
        raise UserError(f"`{bad.column}` {bad.value!r} cannot be stored", where=f"{kind} {key}", do=bad.hint)
