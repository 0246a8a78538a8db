"""The records of one revision with a print of every probe, so that the next revision is read on and not read anew.

A print is the number and the sum of the hashes of all rows of one probe. Where it is what it was, so are the rows; only the
readings of other probes are read. Nothing is concluded from the history of changes: whatever adds, corrects, hides or undoes a
row changes the print of its probe. That it is the same store still, and not another or an earlier one put in its place, is told by
the hash in the chain of the history.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast
from weakref import ref

import numpy as np
import pandas as pd

from analytics.records.columns import TABLES
from analytics.records.reader import prints_in, readings_after, readings_in, records_in, small_tables_in
from analytics.records.snapshot import Records
from analytics.records.sql import literal, quoted
from analytics.records.store import Store, answering_in

if TYPE_CHECKING:
    import duckdb

Prints = Mapping[str, int]
ReadingsPrints = Mapping[str, tuple[int, int]]  # number of readings, and sum of the prints of each
REREAD_SHARE = 0.2  # of the probes whose readings were altered, or of the readings, beyond which everything is read again
BY_PROBE = ("probes", "events", "inspections", "decisions")  # small tables that say something of a probe
MANY_ROWS = 50_000  # of a column, whose names in use are worth keeping
OF_NOBODY = ""  # under which the prints keep sources, windows, and rows that name no probe


_used_by: dict[int, tuple[ref[pd.Categorical], np.ndarray]] = {}  # by number of the object


@dataclass(frozen=True)
class SmallPrints:
    """Prints of the small tables: of one table of the store by its rows as stored, and of each probe by what is said of it.

    The former tell whether the tables have to be read again at all; the latter are made when they are first asked for.
    """

    stored: tuple[tuple[str, int, int], ...]
    tables: Records

    @cached_property
    def by_probe(self) -> dict[str, int]:
        """One number a probe that one of the tables names."""
        out: dict[str, int] = {}
        for number, name in enumerate(BY_PROBE):
            table: pd.DataFrame = getattr(self.tables, name)
            # What names a source is a matter of all that are read on it, whatever probe it names besides.
            owner = table["probe"].astype(object)
            owner = owner.where(table["source"].isna()) if name == "inspections" else owner
            for probe, one in zip(owner, _hashes(table), strict=True):
                key = probe if isinstance(probe, str) else OF_NOBODY
                out[key] = hash((out.get(key, 0), number, one))
        for number, name in enumerate(("sources", "windows"), len(BY_PROBE)):
            out[OF_NOBODY] = hash((out.get(OF_NOBODY, 0), number, *_hashes(getattr(self.tables, name))))
        return out

    @cached_property
    def of_history(self) -> int:
        """One number for probes and events."""
        return hash(tuple(hash(tuple(_hashes(getattr(self.tables, name)))) for name in ("probes", "events")))


@dataclass(frozen=True)
class Standing:
    """``base`` with everything that has come since."""

    base: Records
    base_prints: ReadingsPrints
    now: Records  # the small tables of this revision; its readings are those of the altered probes that are not in the base
    readings_prints: ReadingsPrints
    altered: frozenset[str]  # probes whose readings are not those of the base
    head: str = ""  # hash of the history at this revision
    known_small: SmallPrints | None = None
    read_anew: frozenset[str] | None = None  # those of them of which nothing in the base stands; None: all

    @property
    def revision(self) -> int:
        """The newest revision that can alter an answer."""
        return self.now.revision

    @property
    def replaced(self) -> frozenset[str]:
        """Probes of which nothing in the base stands: all their readings are in ``now``."""
        return self.altered if self.read_anew is None else self.read_anew

    @cached_property
    def last_number(self) -> int:
        """Of all readings in hand."""
        return max((int(one["reading_id"].max()) for one in (self.base.readings, self.now.readings) if len(one)), default=0)

    @cached_property
    def small(self) -> SmallPrints:
        """The prints of the small tables."""
        return self.known_small if self.known_small is not None else SmallPrints((), self.now)

    @cached_property
    def prints(self) -> Prints:
        """One number a probe for all that is known of it, and under ``OF_NOBODY`` for what belongs to none."""
        small, readings = self.small.by_probe, self.readings_prints
        return {one: hash((readings.get(one, 0), small.get(one, 0))) for one in {*readings, *small}}

    @property
    def print_of_history(self) -> int:
        """One number for probes and events as registered."""
        return self.small.of_history

    @cached_property
    def records(self) -> Records:
        """All tables whole."""
        if not self.altered:
            return replace(self.now, readings=self.base.readings)
        base, later = self.base.readings, self.now.readings
        if not self.replaced:
            return replace(self.now, readings=_in_time_order(base, later))
        altered = _among(base, self.replaced)
        known = later["reading_id"].isin(base["reading_id"].to_numpy()[altered]).to_numpy() & _among(later, self.replaced)
        if _alike(base[altered], later[known]):  # nothing but rows more
            return replace(self.now, readings=_in_time_order(base, later[~known]))
        return replace(self.now, readings=_in_time_order(base[~altered], later))

    @cached_property
    def newest(self) -> datetime | None:
        """When the newest reading was taken."""
        found = [one["taken_at"].max() for one in (self.base.readings, self.now.readings) if len(one)]
        return max(found).to_pydatetime() if found else None

    def readings_of(self, probes: Iterable[str]) -> pd.DataFrame:
        """The readings of these probes, in time order; categories may hold names that none of them has."""
        wanted = frozenset(probes)
        later = self.now.readings.take(np.flatnonzero(_among(self.now.readings, wanted)))
        if wanted <= self.replaced:
            return later.reset_index(drop=True)
        base = self.base.readings
        return _in_time_order(base.take(np.flatnonzero(_among(base, wanted - self.replaced))), later, as_used=False)


def standing(path: str | Path) -> Standing:
    """Everything, read anew; UserError where there is no sound store."""
    with Store(path).reading() as con:
        return _anew(con)


def read_on(path: str | Path, before: Standing) -> Standing:
    """The newest revision, reading only what is not what it was; everything where too much is another, or the store itself."""
    with Store(path).reading() as con:
        if _head(con, before.revision) != before.head:
            return _anew(con)
        revision, prints, was = answering_in(con), prints_in(con), before.readings_prints
        altered = _others(prints, before.base_prints)
        fresh = _others(prints, was)
        added, of = readings_after(con, before.last_number, sorted(fresh & altered))
        # Where the print grew by those of the new rows, all that was read of the probe before stands; else all of it is read.
        grown = {one for one in fresh & altered if _sum(was.get(one), of.get(one)) == prints.get(one)}
        anew = (fresh & altered) - grown
        whole = (before.replaced & altered) | anew
        if len(whole) > max(REREAD_SHARE * len(before.base_prints), 3):
            return _anew(con)
        earlier = before.now.readings
        left = frozenset(earlier["probe"].cat.categories) - (fresh - altered) - anew
        readings = _in_time_order(earlier.take(np.flatnonzero(_among(earlier, left))), added.take(np.flatnonzero(_among(added, frozenset(grown)))))
        if anew:
            readings = _in_time_order(readings, readings_in(con, sorted(anew)))
        if len(readings) > max(REREAD_SHARE * len(before.base.readings), 3):
            return _anew(con)
        stored, small = _stored(con), before.known_small
        if small is not None and small.stored == stored:
            now = replace(small.tables, revision=revision, readings=readings)
        else:
            now = small_tables_in(con, revision, readings)
            small = SmallPrints(stored, replace(now, readings=readings.iloc[:0]))
        return Standing(before.base, before.base_prints, now, prints, altered, _head(con, revision), small, whole)


def _anew(con: duckdb.DuckDBPyConnection) -> Standing:
    prints, whole = prints_in(con), records_in(con, answering_in(con))
    later = replace(whole, readings=whole.readings.iloc[:0])
    return Standing(whole, prints, later, prints, frozenset(), _head(con, whole.revision), SmallPrints(_stored(con), later))


def _stored(con: duckdb.DuckDBPyConnection) -> tuple[tuple[str, int, int], ...]:
    """Number and sum of the hashes of the rows of every small table as they are stored, and of the loads that were undone."""
    kept = {TABLES[name].stored_in: "" for name in TABLES if name != "readings"}
    kept |= {"decision": "", "spare_loan": "", "load": " WHERE undone_at IS NOT NULL"}
    asked = (f"SELECT {literal(name)}, count(*), sum(hash(t)) FROM {quoted(name)} t{which}" for name, which in kept.items())
    rows = con.execute(" UNION ALL ".join(asked)).fetchall()
    return tuple(sorted((str(name), int(number), int(total or 0)) for name, number, total in rows))


def _head(con: duckdb.DuckDBPyConnection, revision: int) -> str:
    found = con.execute("SELECT hash FROM change WHERE revision = ?", [revision]).fetchone()
    return str(found[0]) if found else ""


def _others(one: ReadingsPrints, other: ReadingsPrints) -> frozenset[str]:
    """Probes that have another print in either."""
    return frozenset(probe for probe in {*one, *other} if one.get(probe) != other.get(probe))


def _sum(one: tuple[int, int] | None, other: tuple[int, int] | None) -> tuple[int, int]:
    """Number of rows and sum of prints of both."""
    (few, some), (many, more) = one or (0, 0), other or (0, 0)
    return few + many, some + more


def _in_time_order(one: pd.DataFrame, other: pd.DataFrame, *, as_used: bool = True) -> pd.DataFrame:
    """Rows of both, by (taken_at, reading_id), with the categories that are used; or, where that saves time, with those of one."""
    at, number = (np.concatenate([table[name].to_numpy() for table in (one, other)]) for name in ("taken_at", "reading_id"))
    behind = (at[1:] > at[:-1]) | ((at[1:] == at[:-1]) & (number[1:] > number[:-1]))
    order = slice(None) if behind.all() else np.lexsort((number, at))
    columns: dict[str, Any] = {}
    for name in one.columns:
        first, second = one[name].array, other[name].array
        if isinstance(first, pd.Categorical) and isinstance(second, pd.Categorical):
            names, places = _joined_names(first, second, as_used=as_used)
            codes = np.concatenate([
                part.codes if place is None else place[part.codes].astype(first.codes.dtype if names is None else np.int64)
                for place, part in zip(places, (first, second), strict=True)
            ])  # fmt: skip
            dtype = first.dtype if names is None else pd.CategoricalDtype(pd.Index(names, dtype=first.categories.dtype))
            columns[name] = pd.Categorical.from_codes(codes[order], dtype=cast("pd.CategoricalDtype[str]", dtype), validate=False)
        elif first.dtype.kind in "ifbM":
            columns[name] = np.concatenate([first.to_numpy(), second.to_numpy()])[order]
        else:
            columns[name] = pd.concat([one[name], other[name]], ignore_index=True).array[order]
    return pd.DataFrame(columns, copy=False)


def _alike(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    """Whether the rows are the same, whatever categories stand behind them."""
    if len(one) != len(other):
        return False
    for name in one.columns:
        first, second = one[name], other[name]
        if isinstance(first.dtype, pd.CategoricalDtype):
            first, second = first.astype(object), second.astype(object)
        if not first.reset_index(drop=True).equals(second.reset_index(drop=True)):
            return False
    return True


def _hashes(table: pd.DataFrame) -> list[int]:
    found: list[int] = pd.util.hash_pandas_object(table.astype(object).astype(str), index=False).to_numpy().tolist()
    return found


def _among(readings: pd.DataFrame, probes: frozenset[str]) -> np.ndarray:
    column = readings["probe"]
    wanted = column.cat.categories.isin(list(probes))
    return np.append(wanted, False)[column.cat.codes.to_numpy()]  # missing is code −1


def _used(names: pd.Categorical) -> np.ndarray:
    """Codes that stand in it, rising; of what many rows are read on from found once, since no reading is changed in place."""
    kept = _used_by.get(id(names))
    if kept is not None and kept[0]() is names:
        return kept[1]
    found = np.flatnonzero(np.bincount(names.codes.astype(np.int64) + 1, minlength=len(names.categories) + 1)[1:])
    if len(names) >= MANY_ROWS:
        for number in [number for number, (there, _) in _used_by.items() if there() is None]:
            del _used_by[number]
        _used_by[id(names)] = ref(names), found
    return found


def _joined_names(
    one: pd.Categorical, other: pd.Categorical, *, as_used: bool
) -> tuple[list[str] | None, tuple[np.ndarray | None, np.ndarray]]:
    """Sorted names that either uses (None: those of one), and the new code for each code of each, the last for a missing one.

    None in place of codes: they stay as they are.
    """
    parts = (one, other)
    used = [_used(part) for part in parts]
    whole = len(used[0]) == len(one.categories)
    if whole or not as_used:
        place = np.append(one.categories.get_indexer(other.categories), -1)
        if (place[used[1]] >= 0).all():
            return None, (None, place)
    own = [part.categories.to_numpy(object) for part in parts]
    names = sorted({name for of, some in zip(own, used, strict=True) for name in of[some].tolist()})
    code, out = {name: number for number, name in enumerate(names)}, []
    for of, some in zip(own, used, strict=True):
        places = np.full(len(of) + 1, -1, np.int64)
        places[some] = [code[name] for name in of[some].tolist()]
        out.append(places)
    return names, (out[0], out[1])
