"""Checks that are not countings: when each was done last, when it is due again, and which a drop or a repair asks for.

Visual inspection, power, leak test, inventory, acceptance, sensitivity, resolution, shielding, energy resolution.
How often is the site's to set (``schedule.*``); no jurisdiction's number is a default. A kind that was never recorded of a
probe or source is due only where its interval is set.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from analytics.named_rows import named_rows
from analytics.records.snapshot import Records
from analytics.settings import Schedule, Settings

PROBE_KINDS = ("visual", "power", "acceptance", "sensitivity", "resolution", "shielding", "energy_resolution", "other")
SOURCE_KINDS = ("leak_test", "inventory")
YEARLY = ("acceptance", "sensitivity", "resolution", "shielding", "energy_resolution")
REPAIRS = ("repair", "detector_replaced", "recentred", "cable_replaced")
SOON_DAYS = 30
LEAST_DONE = 3  # times on record from which a rhythm of its own is told
OWN_FACTOR = 3.0  # without an interval set, past due is so many times the own median interval, as for constancy checks

STATES = ("failed", "asked_for", "past_due", "due_soon", "in_date", "no_rhythm")  # what to look at first, first


@dataclass(frozen=True)
class OtherCheck:
    """One kind of check on one probe or source.

    due_on, interval_days: None where no rhythm is known. why: the reason for the state, a sentence.
    """

    subject_kind: str  # probe or source
    subject: str
    site: str
    kind: str
    last_on: date | None
    last_result: str | None
    interval_days: float | None
    due_on: date | None
    state: str
    why: str


COLUMNS = tuple(OtherCheck.__dataclass_fields__)


def other_checks(records: Records, settings: Settings, as_of: datetime) -> pd.DataFrame:
    """Every kind of other check of every probe and source in use, what needs a look first.

    Returns a frame of ``OtherCheck`` rows, sorted by state, due date, subject; empty where nothing is recorded or set.
    Uses only what is dated at or before ``as_of``.
    """
    found = [*_of_probes(records, settings, as_of), *_of_sources(records, settings, as_of)]
    table = pd.DataFrame([asdict(one) for one in found], columns=list(COLUMNS))
    rank = table["state"].map({state: place for place, state in enumerate(STATES)})
    order = table.assign(rank=rank, day=pd.to_datetime(table["due_on"])).sort_values(
        ["rank", "day", "subject_kind", "subject", "kind"], kind="stable"
    )
    return table.loc[order.index].reset_index(drop=True)


def interval_of(kind: str, schedule: Schedule, recorded: frozenset[str] = frozenset()) -> float | None:
    """The interval the site set for a kind, days: its own, else that of its group; None where none is set.

    The yearly set is what this store's people make of it: of its kinds, those that were ever ``recorded``.

    >>> from analytics.settings import load
    >>> interval_of("leak_test", load({"schedule": {"leak_test_days": 182}}).schedule)
    182.0
    """
    if kind in schedule.inspection_days_by_kind:
        return schedule.inspection_days_by_kind[kind]
    groups = {"leak_test": schedule.leak_test_days, "inventory": schedule.inventory_days}
    return groups.get(kind, schedule.inspection_days if kind in YEARLY and kind in recorded else None)


def kinds_on_record(done: pd.DataFrame) -> frozenset[str]:
    """Every kind of check that was recorded at least once."""
    return frozenset(str(one) for one in done["kind"].dropna().unique())


def _of_probes(records: Records, settings: Settings, as_of: datetime) -> Iterator[OtherCheck]:
    done = _until(records.inspections, "done_at", as_of)
    events = _until(records.events, "happened_at", as_of).sort_values(["happened_at", "event_id"], kind="stable")
    by_kind, recorded = dict(iter(done.groupby(["probe", "kind"], sort=False))), kinds_on_record(done)
    by_probe = {str(probe): rows for probe, rows in events.groupby("probe", sort=False)}
    for one in named_rows(records.probes):
        mine = by_probe.get(str(one.probe), events.iloc[:0])
        if _withdrawn(mine):
            continue
        asked = _asked(mine, settings.schedule)
        for kind in PROBE_KINDS:
            rows, every = by_kind.get((one.probe, kind)), interval_of(kind, settings.schedule, recorded)
            yield from _one("probe", str(one.probe), _site(one.site), kind, rows, asked.get(kind), every, as_of)


def _of_sources(records: Records, settings: Settings, as_of: datetime) -> Iterator[OtherCheck]:
    done = _until(records.inspections, "done_at", as_of)
    by_kind = dict(iter(done.groupby(["source", "kind"], sort=False)))
    for one in named_rows(records.sources):
        if pd.notna(one.withdrawn_on) and pd.Timestamp(one.withdrawn_on) <= pd.Timestamp(as_of):
            continue
        for kind in SOURCE_KINDS:
            rows, every = by_kind.get((one.source, kind)), interval_of(kind, settings.schedule)
            yield from _one("source", str(one.source), _site(one.site), kind, rows, None, every, as_of)


def _one(
    subject_kind: str,
    subject: str,
    site: str,
    kind: str,
    rows: pd.DataFrame | None,
    asked: tuple[str, date] | None,
    interval: float | None,
    as_of: datetime,
) -> Iterator[OtherCheck]:
    """At most one row: none where the kind is neither on record, nor set, nor asked for."""
    if rows is None and interval is None and asked is None:
        return
    days = np.array([], "datetime64[D]") if rows is None else np.sort(rows["done_at"].to_numpy().astype("datetime64[D]"))
    last_on = pd.Timestamp(days[-1]).date() if len(days) else None
    result = None if rows is None else rows.sort_values("done_at", kind="stable")["result"].iloc[-1]
    last_result = None if result is None or pd.isna(result) else str(result)
    known = interval if interval is not None else _own_interval(days)
    due_on = None if known is None else as_of.date() if last_on is None else last_on + timedelta(days=round(known))
    state, why = _state(last_on, last_result, interval, known, due_on, asked, as_of.date())
    yield OtherCheck(subject_kind, subject, site, kind, last_on, last_result, known, due_on, state, why)


def _state(
    last_on: date | None,
    last_result: str | None,
    interval: float | None,
    known: float | None,
    due_on: date | None,
    asked: tuple[str, date] | None,
    today: date,
) -> tuple[str, str]:
    if last_result == "fail":
        return "failed", f"It failed on {last_on}, and none has passed since."
    if asked is not None and (last_on is None or last_on < asked[1]):
        since = "never done" if last_on is None else f"last done on {last_on}"
        return "asked_for", f"{asked[0].replace('_', ' ').capitalize()} on {asked[1]}; {since}."
    if known is None or due_on is None:
        return "no_rhythm", "No interval is set, and it was done too seldom to tell a rhythm."
    if last_on is None:
        return "past_due", f"Due every {known:g} d (set in the schedule), and none is on record."
    basis = "set in the schedule" if interval is not None else "its own median interval"
    late = due_on if interval is not None else last_on + timedelta(days=round(OWN_FACTOR * known))
    every = f"Every {known:g} d ({basis}), last on {last_on}."
    if today > late:
        return "past_due", every
    return ("due_soon" if due_on <= today + timedelta(days=SOON_DAYS) else "in_date"), every


def _own_interval(days: np.ndarray) -> float | None:
    """Median days between distinct days; None with fewer than three of them."""
    distinct = np.unique(days)
    return float(np.median(np.diff(distinct).astype(float))) if len(distinct) >= LEAST_DONE else None


def _asked(events: pd.DataFrame, schedule: Schedule) -> dict[str, tuple[str, date]]:
    """By kind of check: the latest event that asks for it, and its day."""
    asked: dict[str, tuple[str, date]] = {}
    for one in named_rows(events):
        kinds = schedule.after_drop if one.kind == "dropped" else schedule.after_repair if one.kind in REPAIRS else ()
        for kind in kinds:
            asked[kind] = str(one.kind), pd.Timestamp(one.happened_at).date()
    return asked


def _withdrawn(events: pd.DataFrame) -> bool:
    """Whether the probe is out of use for good at the end of these events."""
    kinds = events["kind"][events["kind"].isin(["withdrawn", "cleared", "repair", "detector_replaced"])]
    return len(kinds) > 0 and kinds.iloc[-1] == "withdrawn"


def _until(table: pd.DataFrame, column: str, as_of: datetime) -> pd.DataFrame:
    return table[table[column] <= pd.Timestamp(as_of)]


def _site(value: object) -> str:
    return "" if value is None or pd.isna(value) else str(value)  # type: ignore[call-overload]
