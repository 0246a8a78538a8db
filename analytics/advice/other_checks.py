"""Checks that are not countings: when each was done last, when it is due again, and which a drop or a repair asks for.

Visual inspection, power, leak test, inventory, acceptance, sensitivity, resolution, shielding, energy resolution.
How often is the site's to set (``schedule.*``); no jurisdiction's number is a default. A kind that was never recorded of a
probe or source is due only where its interval is set.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import pandas as pd

from analytics.advice.situation import SERVICE_KINDS
from analytics.advice.withdrawn import withdrawn_since
from analytics.named_rows import named_rows
from analytics.records.snapshot import Records
from analytics.settings import Schedule, Settings

PROBE_KINDS = ("visual", "power", "acceptance", "sensitivity", "resolution", "shielding", "energy_resolution", "other")
SOURCE_KINDS = ("leak_test", "inventory")
# An inspection of these kinds is part of the yearly set of acceptance measurements.
YEARLY = ("acceptance", "sensitivity", "resolution", "shielding", "energy_resolution")
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
    table = pd.DataFrame([[getattr(one, name) for name in COLUMNS] for one in found], columns=list(COLUMNS))
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


@dataclass(frozen=True)
class _Done:
    """What is on record of one kind on one subject. own_days: median days between its days; None below three of them."""

    last_on: date
    last_result: str | None
    own_days: float | None


def _of_probes(records: Records, settings: Settings, as_of: datetime) -> Iterator[OtherCheck]:
    done = _until(records.inspections, "done_at", as_of)
    events = _until(records.events, "happened_at", as_of).sort_values(["happened_at", "event_id"], kind="stable")
    by_kind, recorded = _on_record(done, "probe"), kinds_on_record(done)
    asked, withdrawn = _asked(events, settings.schedule), withdrawn_since(records, as_of).index
    every = {kind: interval_of(kind, settings.schedule, recorded) for kind in PROBE_KINDS}
    for one in named_rows(records.probes):
        probe = str(one.probe)
        if probe in withdrawn:
            continue
        for kind in PROBE_KINDS:
            known = by_kind.get((probe, kind))
            yield from _one("probe", probe, _site(one.site), kind, known, asked.get((probe, kind)), every[kind], as_of)


def _of_sources(records: Records, settings: Settings, as_of: datetime) -> Iterator[OtherCheck]:
    by_kind = _on_record(_until(records.inspections, "done_at", as_of), "source")
    every = {kind: interval_of(kind, settings.schedule) for kind in SOURCE_KINDS}
    for one in named_rows(records.sources):
        if pd.notna(one.withdrawn_on) and pd.Timestamp(one.withdrawn_on) <= pd.Timestamp(as_of):
            continue
        source = str(one.source)
        for kind in SOURCE_KINDS:
            known = by_kind.get((source, kind))
            yield from _one("source", source, _site(one.site), kind, known, None, every[kind], as_of)


def _on_record(done: pd.DataFrame, subject: str) -> dict[tuple[str, str], _Done]:
    """By subject and kind, what its rows come to; of two at the same moment the later row is the last."""
    table = pd.DataFrame(
        {
            "subject": done[subject].astype(object),
            "kind": done["kind"].astype(object),
            "day": done["done_at"].dt.normalize(),
            "result": done["result"].astype(object),
            "at": done["done_at"],
        }
    )
    table = table[table["subject"].notna() & table["kind"].notna()].sort_values("at", kind="stable")
    key = ["subject", "kind"]
    days = table.drop_duplicates([*key, "day"])
    gaps = days.assign(gap=days.groupby(key, sort=False)["day"].diff().dt.days).groupby(key, sort=False)["gap"]
    own = gaps.median()[gaps.count() >= LEAST_DONE - 1].to_dict()
    last = table.drop_duplicates(key, keep="last")
    return {
        (str(name), str(kind)): _Done(day.date(), None if pd.isna(result) else str(result), own.get((name, kind)))
        for name, kind, day, result in zip(last["subject"], last["kind"], last["day"], last["result"], strict=True)
    }


def _one(
    subject_kind: str,
    subject: str,
    site: str,
    kind: str,
    done: _Done | None,
    asked: tuple[str, date] | None,
    interval: float | None,
    as_of: datetime,
) -> Iterator[OtherCheck]:
    """At most one row: none where the kind is neither on record, nor set, nor asked for."""
    if done is None and interval is None and asked is None:
        return
    last_on, last_result = (done.last_on, done.last_result) if done is not None else (None, None)
    known = interval if interval is not None else done.own_days if done is not None else None
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


def _asked(events: pd.DataFrame, schedule: Schedule) -> dict[tuple[str, str], tuple[str, date]]:
    """By probe and kind of check: the latest event that asks for it, and its day. events: in order of time."""
    asked: dict[tuple[str, str], tuple[str, date]] = {}
    for one in named_rows(events[events["kind"].isin(["dropped", *SERVICE_KINDS])]):
        for kind in schedule.after_drop if one.kind == "dropped" else schedule.after_repair:
            asked[str(one.probe), kind] = str(one.kind), pd.Timestamp(one.happened_at).date()
    return asked


def _until(table: pd.DataFrame, column: str, as_of: datetime) -> pd.DataFrame:
    return table[table[column] <= pd.Timestamp(as_of)]


def _site(value: object) -> str:
    return "" if value is None or pd.isna(value) else str(value)  # type: ignore[call-overload]
